"""What the run machine asks of its shell, in the order in which it is to be done."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from luggin.protocol.instrument import Cell
from luggin.protocol.unit.state import Order


@dataclass(frozen=True)
class Effect:
    pass


@dataclass(frozen=True)
class Rejected(Effect):
    """The command was not carried out."""

    sentence: str


@dataclass(frozen=True)
class NewToken(Effect):
    """Make a token and say so with TokenMade."""


@dataclass(frozen=True)
class Publish(Effect):
    """The unit looks different from outside."""


@dataclass(frozen=True)
class Record(Effect):
    """An event for the record, of the run or, with `run` None, of the instrument."""

    run: str | None
    kind: str
    sentence: str
    data: Mapping[str, Any] = field(default_factory=dict)


# Slow effects: carried out one at a time by a worker that the next cell-off cancels


@dataclass(frozen=True)
class Slow(Effect):
    run: str


@dataclass(frozen=True)
class Prepare(Slow):
    """Begin the run in the store, then load its program into the instrument.  Armed, Declined or Failed follows."""

    order: Order


@dataclass(frozen=True)
class Begin(Slow):
    """Execute the loaded program.  Started or Failed follows."""


@dataclass(frozen=True)
class Pause(Slow):
    """Hold where the program next allows it."""


@dataclass(frozen=True)
class Resume(Slow):
    """Go on after a hold."""


@dataclass(frozen=True)
class End(Slow):
    """Stop in the orderly way."""


# Effects that wait for nothing


@dataclass(frozen=True)
class CellOff(Effect):
    """Cancel the worker and switch the cell off.  OffAnswered follows in every case."""


@dataclass(frozen=True)
class Replay(Effect):
    """Ask for the points from `first` on once more, and where the instrument stands."""

    run: str
    first: int


@dataclass(frozen=True)
class Keep(Effect):
    """Store points [first, after) of the batch that just arrived."""

    run: str
    first: int
    after: int


@dataclass(frozen=True)
class Acknowledge(Effect):
    """The instrument may forget points below `after`."""

    run: str
    after: int


@dataclass(frozen=True)
class Anchor(Effect):
    """Note what all clocks show."""


@dataclass(frozen=True)
class Seal(Effect):
    """Store the result of the run.  Sealed or NotStored follows."""

    run: str
    state: str
    outcome: str
    sentence: str
    end: int
    flagged: bool
    cell: Cell
