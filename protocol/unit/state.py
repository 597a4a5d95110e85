"""What the run machine knows: the unit's state, its link and cell beside it, the run at hand, and views of them."""

from dataclasses import dataclass, field
from enum import StrEnum

from luggin.protocol.instrument import Cell, Outcome
from luggin.protocol.program import Program
from luggin.protocol.tally import Tally


class State(StrEnum):
    """Unit states after ANSI/ISA-TR88.00.02, as far as they are needed."""

    IDLE = "Idle"
    STARTING = "Starting"
    EXECUTE = "Execute"
    HOLDING = "Holding"
    HELD = "Held"
    UNHOLDING = "Unholding"
    COMPLETING = "Completing"
    COMPLETE = "Complete"
    STOPPING = "Stopping"
    STOPPED = "Stopped"
    ABORTING = "Aborting"
    ABORTED = "Aborted"
    CLEARING = "Clearing"


RUNNING = frozenset({State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING, State.COMPLETING, State.STOPPING})
"""States in which the instrument executes the program or its ending, in sight or out of sight."""


class Link(StrEnum):
    UP = "up"
    LOST = "lost"


@dataclass(frozen=True)
class Order:
    """What the machine must know of a run before it starts.  Times in s.

    `silence` is how long the instrument can go on energised after its host fell silent, None when nothing bounds it.
    """

    run: str
    silence: float | None
    longest_hold: float
    duration: float
    pausable: bool

    @classmethod
    def of(cls, run: str, program: Program, dead_man: bool) -> "Order":
        """The order of a program, on an instrument with or without a dead-man timer of its own."""
        rule = program.dead_man
        return cls(
            run=run,
            silence=rule.timeout + (0.0 if rule.action == "open" else rule.duration) if dead_man else None,
            longest_hold=program.longest_hold,
            duration=program.limits.duration,
            pausable=any(block.pause != "never" for block in program.blocks),
        )


@dataclass(frozen=True)
class Run:
    """The run at hand.  `boot` is that of the instrument that executes it.

    `begun` says that the instrument was asked to execute: from then on the cell counts as on until proven off.  `seen`
    says that it was seen executing; before that, news may still tell of the time before the start.
    `outcome` and `detail` are what the instrument said of its end; `cause` is why the host ended it.  `ends_by` is
    when it must be over.  `patience` is when missing points are asked for again, `tries` how often they were.
    `unstored` says that the store refused points and none went in since.  `sealed` says that its result was handed to
    the store.
    """

    order: Order
    boot: str
    begun: bool = False
    seen: bool = False
    tally: Tally = field(default_factory=Tally)
    ends_by: float | None = None
    flagged: bool = False
    outcome: Outcome | None = None
    detail: str = ""
    cause: str = ""
    patience: float | None = None
    tries: int = 0
    unstored: bool = False
    sealed: bool = False

    @property
    def id(self) -> str:
        return self.order.run


@dataclass(frozen=True)
class Off:
    """A cell-off that has to be confirmed: `asked` while one is on its way, else tried again at `retry` or as soon as
    the link is up.  `failures` counts the attempts that were not confirmed, `detail` says what the last one met."""

    asked: bool = False
    failures: int = 0
    retry: float | None = None
    detail: str = ""


@dataclass(frozen=True)
class Unit:
    """The unit.  All times are the host's monotonic clock in s.

    `cell` is what the newest read-back said, `cell_read` when; `proven` says that a receipt confirmed it off over the
    present connection and nothing happened since that could have changed it.  `token` is empty until the shell has
    made a new one.  `bound` is when an acting state must have ended.  `attested` names who stated that the cell is
    off.  `closing` says that the daemon ends, `leaving` that it leaves the run at hand to the instrument and to the
    next daemon.  `at` is the time of the newest event.
    """

    at: float
    state: State = State.IDLE
    reason: str = ""
    link: Link = Link.LOST
    link_since: float = 0.0
    epoch: int = 0
    boot: str = ""
    clock: float = 0.0
    cell: Cell = Cell.UNKNOWN
    cell_read: float | None = None
    proven: bool = False
    off: Off | None = None
    attested: str = ""
    strange: tuple[str, int] | None = None
    token: str = ""
    token_until: float = 0.0
    bound: float | None = None
    run: Run | None = None
    closing: bool = False
    leaving: bool = False


@dataclass(frozen=True)
class Trouble:
    """What somebody has to look at; `kind` is one of cell-unknown, aborted, link-lost, not-stored."""

    kind: str
    sentence: str


def trouble(unit: Unit) -> Trouble | None:
    """The gravest thing that needs a person now, or None."""
    if unit.off is not None and unit.off.failures:
        word = f" {unit.attested} stated that it is off." if unit.attested else " It is tried again without end."
        return Trouble("cell-unknown", f"The cell is not confirmed off: {unit.off.detail.rstrip('.')}.{word}")
    if unit.state in (State.ABORTING, State.ABORTED, State.CLEARING):
        return Trouble("aborted", unit.reason)
    if unit.run is not None and unit.run.unstored:
        return Trouble("not-stored", f"Points of run {unit.run.id} can't be stored; the instrument holds them.")
    if unit.run is not None and unit.link is Link.LOST and not unit.leaving:
        return Trouble("link-lost", "The link is lost while a run is on; the instrument executes by itself.")
    return None


def leavable(unit: Unit) -> bool:
    """Whether a run is on that may be left going: only where the instrument's own dead-man timer bounds it."""
    run = unit.run
    executing = run is not None and run.begun and unit.off is None and unit.state in RUNNING
    return executing and run is not None and run.order.silence is not None and run.tally.end is None


def wanted_on(unit: Unit) -> bool:
    """Whether the host wants the instrument to go on: the condition for feeding its dead-man timer."""
    begun = unit.run is not None and unit.run.begun
    return begun and unit.off is None and (unit.state in RUNNING or unit.state is State.STARTING)
