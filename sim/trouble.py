"""What can be wrong with a simulated instrument: set by a script of faults, obeyed by the parts."""

import math
from dataclasses import dataclass, field
from typing import Literal

Measured = Literal["current", "potential"]
RelayFault = Literal["none", "stuck", "mute"]


@dataclass(frozen=True)
class Spike:
    """Adds `value` (SI) to the reading of the first sample at or after the run time `time` (s)."""

    time: float
    measured: Measured
    value: float


@dataclass
class Trouble:
    """Nothing is wrong at first.  `reference_lost` is a run time (s).

    A `stuck` relay stays as it is; a `mute` one obeys but its read-back says nothing.
    """

    relay: RelayFault = "none"
    reference_lost: float = math.inf
    spikes: list[Spike] = field(default_factory=list)
