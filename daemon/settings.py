"""What the configuration says of one instrument and the cell at it, and how often the session looks."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class InterlockSettings:
    """`topic` has to say `true` at least each `expires` seconds."""

    topic: str
    expires: float


@dataclass(frozen=True)
class InstrumentSettings:
    """`reference` is the reference electrode in the cell; a method that names another one doesn't start.

    `area` is the geometric area of the working electrode in m2.  `shown` is the instrument's section of the
    configuration without secrets, kept with every run.  `without_dead_man` is the explicit, recorded consent to run
    an instrument that has no dead-man timer of its own.  `interlock` is what else must be said for it to be energised.
    """

    reference: str
    electrode: str = ""
    area: float | None = None
    notes: str = ""
    without_dead_man: bool = False
    interlock: InterlockSettings | None = None
    shown: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Intervals:
    """Times in s of the session.  `silence` is how long an instrument may say nothing before its link counts as lost;
    `connect` bounds one attempt to open it; `reconnect` are the shortest and longest pauses between attempts."""

    connect: float = 10.0
    reconnect: tuple[float, float] = (0.5, 10.0)
    poll_running: float = 1.0
    poll_idle: float = 2.0
    silence: float = 5.0
    health: float = 30.0
    anchor: float = 3600.0
    cell_off: float = 5.0
    progress: float = 0.25
