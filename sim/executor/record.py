"""From samples to points: the columns that are stored."""

from collections.abc import Mapping

import numpy as np

from luggin.protocol.points import Array, Flag
from luggin.protocol.program import Limit, Program, Pulses, Sine
from luggin.sim.cell.api import Floats
from luggin.sim.executor.course import Reduced
from luggin.sim.frontend import Samples
from luggin.sim.models import COLUMNS

_OF_SINES = {"frequency", "impedance_real", "impedance_imaginary"}
_ON_REQUEST = {"charge", "forward_current", "reverse_current", "current_minimum", "current_maximum", *_OF_SINES}


def columns_of(program: Program) -> list[str]:
    """The columns that points of this program have, in order."""
    segments = [segment for block in program.blocks for segment in block.segments]
    wanted = set()
    if any(segment.integrate for segment in segments) or program.limits.charge != Limit():
        wanted.add("charge")
    if any(segment.statistics for segment in segments):
        wanted |= {"current_minimum", "current_maximum"}
    records = {pulse.record for segment in segments if isinstance(segment, Pulses) for pulse in segment.pulses}
    wanted |= {f"{record}_current" for record in records - {"nothing"}}
    if any(isinstance(segment, Sine) for segment in segments):
        wanted |= _OF_SINES
    return [name for name in COLUMNS if name in wanted or name not in _ON_REQUEST]


def record(
    samples: Samples, charge: Floats, reduced: Reduced, phase: int, cycle: int, held: bool
) -> Mapping[str, Array]:
    """Columns of the samples that became points.  `charge` (C) is that of the segment at each sample."""
    chosen = reduced.chosen
    count = len(chosen)
    columns: dict[str, Array] = {
        "time": samples.time[chosen],
        "phase": np.full(count, phase),
        "cycle": np.full(count, cycle),
        "channel": np.ones(count),
        "applied_potential": samples.applied[chosen],
        "potential": samples.potential[chosen],
        "current": samples.current[chosen],
        "current_range": samples.current_range[chosen],
        "cell_voltage": samples.cell_voltage[chosen],
        "charge": charge[chosen],
        "temperature": samples.temperature[chosen],
        "flags": samples.flags[chosen],
        **reduced.columns,
    }
    columns["flags"] = columns["flags"] | (Flag.HELD if held else 0)
    return columns
