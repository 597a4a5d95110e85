"""Lines that cross a network without a password: who reads and writes there can energise the cell."""

from ipaddress import ip_address
from typing import Protocol, runtime_checkable


@runtime_checkable
class Networked(Protocol):
    """A driver whose line may go over a network; `host` is None where it does not."""

    @property
    def host(self) -> str | None: ...


def is_loopback(host: str) -> bool:
    """Whether this name or address stays on this machine."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def exposure(driver: object) -> str:
    """One sentence on a line that others may use, empty where there is none."""
    host = driver.host if isinstance(driver, Networked) else None
    if host is None or is_loopback(host):
        return ""
    return (
        f"the line to {host} has no password and is not encrypted: everybody on that network can read it and can "
        f"energise the cell; keep it a network of its own, with this machine and the instrument only"
    )
