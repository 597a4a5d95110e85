"""What happens to the run machine.  Every event carries its time `at` (the host's monotonic clock, s).

News of the instrument carry the `epoch` of the connection they came over, so that late ones are dropped.
"""

from dataclasses import dataclass

from luggin.protocol.instrument import Receipt, Status
from luggin.protocol.unit.state import Order


@dataclass(frozen=True)
class Event:
    at: float


# Commands of a person or a program; `by` names who, for the record.


@dataclass(frozen=True)
class Start(Event):
    by: str
    token: str
    order: Order


@dataclass(frozen=True)
class Hold(Event):
    by: str


@dataclass(frozen=True)
class Unhold(Event):
    by: str
    token: str


@dataclass(frozen=True)
class Stop(Event):
    by: str


@dataclass(frozen=True)
class Abort(Event):
    by: str


@dataclass(frozen=True)
class Clear(Event):
    by: str


@dataclass(frozen=True)
class Attest(Event):
    by: str


# The shell's own


@dataclass(frozen=True)
class Tick(Event):
    """Time has come to `next_deadline`."""


@dataclass(frozen=True)
class TokenMade(Event):
    token: str


@dataclass(frozen=True)
class Shutdown(Event):
    """The daemon ends.  `leave` asks to let a run go on in the instrument alone, for the next daemon to adopt."""

    leave: bool = False


@dataclass(frozen=True)
class Interlocked(Event):
    """What has to be said for the cell to stay energised is said no longer."""

    sentence: str


@dataclass(frozen=True)
class Fault(Event):
    """The daemon met an error it didn't foresee."""

    sentence: str


# The connection


@dataclass(frozen=True)
class Connected(Event):
    """A connection is open; `status` is what the instrument does now, `known` whether the store knows its run."""

    epoch: int
    status: Status
    known: bool = True


@dataclass(frozen=True)
class News(Event):
    """Something that came over the connection `epoch`."""

    epoch: int


@dataclass(frozen=True)
class LinkLost(News):
    sentence: str


@dataclass(frozen=True)
class Told(News):
    """The instrument said where it stands."""

    status: Status


@dataclass(frozen=True)
class OffAnswered(News):
    """What became of a cell-off: the read-back, or cell UNKNOWN when none came."""

    receipt: Receipt


@dataclass(frozen=True)
class Arrived(News):
    """Points [first, after) came and are within their limits."""

    run: str
    boot: str
    first: int
    after: int


@dataclass(frozen=True)
class Violated(News):
    """Points came that violate a limit."""

    run: str
    sentence: str


@dataclass(frozen=True)
class Armed(News):
    run: str


@dataclass(frozen=True)
class Started(News):
    run: str


@dataclass(frozen=True)
class Failed(News):
    """A slow effect failed: `effect` is the name of its class, `refused` says that the instrument answered no."""

    run: str
    effect: str
    sentence: str
    refused: bool


# The store


@dataclass(frozen=True)
class Declined(Event):
    """The store did not take the run; nothing was touched."""

    run: str
    sentence: str


@dataclass(frozen=True)
class Stored(Event):
    """Points [first, after) are durable."""

    run: str
    first: int
    after: int


@dataclass(frozen=True)
class NotStored(Event):
    """Points or a result were not stored; `full` says that the disk has no room."""

    run: str
    sentence: str
    full: bool


@dataclass(frozen=True)
class Sealed(Event):
    """The result of the run is durable."""

    run: str
