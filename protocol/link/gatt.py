"""Where the link is found on a Bluetooth LE peripheral; LINK.md, section 14.  The UUIDs are random ones of its own."""

SERVICE = "9aedbbef-6a50-4a7c-abf6-f48c6ae2aab9"
TO_INSTRUMENT = "9aedbbf0-6a50-4a7c-abf6-f48c6ae2aab9"
"""Characteristic with the property *write*: bytes from the host."""
FROM_INSTRUMENT = "9aedbbf1-6a50-4a7c-abf6-f48c6ae2aab9"
"""Characteristic with the property *notify*: bytes from the instrument."""

ATT_OVERHEAD = 3
"""Bytes of a write or a notification beside its payload (Bluetooth Core Specification, Vol 3, Part F, 3.4.5, 3.4.7)."""
SMALLEST_MTU = 23
"""ATT_MTU in bytes that every LE connection has at least (same place, 5.2.1)."""
LARGEST_VALUE = 512
"""Bytes of one write or notification, however large the ATT_MTU is (same place, 3.2.9)."""
LONGEST_NAME = 29
"""Bytes of a name that fit a scan response of 31 (Vol 3, Part C, 11: length and type take 2)."""
