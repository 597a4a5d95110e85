"""The faults that can be asked for: the unit of the value that one takes (None: it takes none), and what it does."""

KINDS: dict[str, tuple[str | None, str]] = {
    "drop": (None, "the connection is closed"),
    "stall": ("s", "the instrument hangs for so long"),
    "delay": ("s", "bytes take so long each way"),
    "loss": ("1", "this share of the frames vanishes"),
    "garble": ("1", "this share of the bytes is changed"),
    "crumbs": (None, "bytes come one at a time"),
    "reboot": (None, "the power fails and comes back: cell off, program and points gone"),
    "relay-stuck": (None, "the relay stays as it is, whatever it is told"),
    "relay-mute": (None, "the relay obeys, but its read-back says nothing"),
    "relay-sound": (None, "the relay is well again"),
    "reference-lost": (None, "the reference electrode loses contact, in every run"),
    "current-spike": ("A", "so much is added to one reading, in every run"),
    "potential-spike": ("V", "so much is added to one reading, in every run"),
}
