"""What an instrument says of itself while it works: its activity, the cell's relay, a reading, a receipt."""

from dataclasses import dataclass
from enum import StrEnum


class Cell(StrEnum):
    """The state of the cell's relay as far as a read-back confirmed it."""

    ON = "on"
    OFF = "off"
    UNKNOWN = "unknown"


class Activity(StrEnum):
    """What the instrument is doing with its program."""

    IDLE = "idle"  # no program, or its points were all acknowledged
    ARMED = "armed"  # a program is loaded and checked, nothing is energised
    RUNNING = "running"
    HELD = "held"  # an operator paused it
    CLOSING = "closing"  # executing what an orderly stop still executes
    AFTER_RUN = "after-run"  # the bounded hold after the program
    ENDED = "ended"  # the cell is off; points may still wait to be acknowledged


class Outcome(StrEnum):
    """Why a program ended."""

    COMPLETED = "completed"
    STOPPED = "stopped"  # an orderly stop was asked for
    OFF = "off"  # cell-off was asked for
    LIMIT = "limit"  # a safety limit tripped
    CONTROL_OVERLOAD = "control-overload"  # the control loop lost its grip, for instance on the reference
    DEAD_MAN = "dead-man"  # the host fell silent
    HOLD_EXPIRED = "hold-expired"  # an operator's hold outlasted what the method allows
    FAULT = "fault"  # the instrument's own fault


@dataclass(frozen=True)
class Status:
    """Where the instrument stands.

    `run` and `boot` say whose points these are.  Points with indices in [`oldest`, `next`) are still held by the
    instrument; `lost` counts points of this run that a full buffer overwrote.  `run_time` is instrument time since the
    start of the run in s; `clock` is the instrument's own time since boot in s.  `silence` is how long, in s, the
    dead-man timer has waited for its host.
    """

    activity: Activity
    cell: Cell
    boot: str
    clock: float
    run: str | None = None
    outcome: Outcome | None = None
    detail: str = ""
    oldest: int = 0
    next: int = 0
    lost: int = 0
    run_time: float = 0.0
    phase: int = 0
    cycle: int = 0
    silence: float = 0.0


@dataclass(frozen=True)
class Reading:
    """One look at the cell and the instrument, in SI units; what is not measured is None."""

    cell: Cell
    clock: float
    potential: float | None = None
    current: float | None = None
    current_range: float | None = None
    cell_voltage: float | None = None
    temperature: float | None = None
    battery: float | None = None  # share of full, 0 to 1
    signal_strength: float | None = None  # dBm; what the host heard when it connected, where the instrument has none


@dataclass(frozen=True)
class Receipt:
    """The answer to cell-off: what the read-back said.  Only `cell == OFF` is a confirmation."""

    cell: Cell
    detail: str = ""

    @property
    def confirmed(self) -> bool:
        return self.cell is Cell.OFF
