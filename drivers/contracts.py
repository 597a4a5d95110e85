"""What every driver promises, numbered: the conformance checks name the number that they find broken."""

from collections.abc import Callable
from typing import TypeVar

CONTRACTS = {
    1: "The capability says what the instrument can do, in SI units; what it does not measure is absent.",
    2: "What a reading and a status say of the cell is what a read-back said.",
    3: "arm checks a program and energises nothing; what the instrument can't do is refused there.",
    4: "start executes the armed run, and once; nothing else starts anything.",
    5: "Opening and closing a connection change nothing: what is armed stays armed and what runs goes on. Only where "
    "the host times the steps does closing end the run, and then it lets the cell go.",
    6: "cell_off is legal in every state, may be repeated, waits for no other command, and its receipt says what a "
    "read-back said.",
    7: "What cell_off overtook energises nothing, neither then nor later.",
    8: "Points are numbered without a gap, their times grow, and the last of them comes before the status that says "
    "the run ended.",
    9: "Points are kept until they are acknowledged, over lost connections too, and come again the same to the last "
    "bit.",
    10: "hold takes effect only where the program allows it and keeps the level applied; unhold goes on from there.",
    11: "stop carries out what is meant for a stop and then the ending; a hold after the run is bounded in time.",
    12: "The cell is let go without the host's software above the driver when a limit of the program is violated.",
    13: "When the host falls silent the dead-man timer does what the program says; nothing but keep_alive feeds it.",
}

_Checked = TypeVar("_Checked", bound=Callable[..., object])
_GUARDED: dict[object, int] = {}


def guards(number: int) -> Callable[[_Checked], _Checked]:
    """Marks a check as one of the contract of this number."""

    def mark(check: _Checked) -> _Checked:
        _GUARDED[check] = number
        return check

    return mark


def contract_of(check: object) -> int:
    """The number of the contract that a check guards."""
    return _GUARDED[check]
