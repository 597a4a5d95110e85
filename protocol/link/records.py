"""The records inside messages: an instrument's status, a reading, a receipt, its identity.

Each is an array of exactly these fields in this order; null stands for None.
"""

from luggin.protocol.capability import Identity
from luggin.protocol.instrument import Reading, Receipt, Status
from luggin.protocol.link.kinds import identifier, number, numbered, optional, record, text, whole
from luggin.protocol.link.numbers import ACTIVITY_NUMBERS, CELL_NUMBERS, OUTCOME_NUMBERS

LONGEST_SENTENCE, LONGEST_RUN, LONGEST_BOOT = 160, 64, 32

_ACTIVITY, _CELL, _OUTCOME = numbered(ACTIVITY_NUMBERS), numbered(CELL_NUMBERS), optional(numbered(OUTCOME_NUMBERS))
_SECONDS, _MEASURED = number(0.0), optional(number())
IDENTITY = record(Identity, dict.fromkeys(("maker", "model", "serial", "firmware"), text(64)))
STATUS = record(
    Status,
    {
        "activity": _ACTIVITY,
        "cell": _CELL,
        "boot": identifier(LONGEST_BOOT),
        "clock": _SECONDS,
        "run": optional(identifier(LONGEST_RUN)),
        "outcome": _OUTCOME,
        "detail": text(LONGEST_SENTENCE),
        "oldest": whole(),
        "next": whole(),
        "lost": whole(),
        "run_time": _SECONDS,
        "phase": whole(0, 255),
        "cycle": whole(0, 2**32 - 1),
        "silence": _SECONDS,
    },
)
READING = record(
    Reading,
    {
        "cell": _CELL,
        "clock": _SECONDS,
        "potential": _MEASURED,
        "current": _MEASURED,
        "current_range": _MEASURED,
        "cell_voltage": _MEASURED,
        "temperature": _MEASURED,
        "battery": _MEASURED,
        "signal_strength": _MEASURED,
    },
)
RECEIPT = record(Receipt, {"cell": _CELL, "detail": text(LONGEST_SENTENCE)})


def sentence(words: str) -> str:
    """Words made fit for a message: printable, and cut to LONGEST_SENTENCE bytes."""
    shown = "".join(letter if letter.isprintable() else " " for letter in words)
    return shown.encode()[:LONGEST_SENTENCE].decode(errors="ignore")
