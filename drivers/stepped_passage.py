"""One stretch of a run that the host times: a staircase under way, its end conditions, charge and statistics."""

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from luggin.drivers.set_and_read import Measured
from luggin.drivers.stairs import Stairs
from luggin.protocol.conditions import Conditions
from luggin.protocol.points import Flag
from luggin.protocol.program import Until

_Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Sample:
    potential: _Floats
    current: _Floats
    flags: NDArray[np.uint16]


@dataclass
class Passage:
    """`begun` is the run time (s) at which it began, moved on by holds and by what came too late; `done` counts steps.

    With `average` (s) the mean potential of its last so many seconds is kept.
    """

    stairs: Stairs
    begun: float
    conditions: Conditions
    phase: int
    cycle: int
    channel: int = 1
    statistics: bool = False
    average: float | None = None
    done: int = 0
    charge: float = 0.0
    _time: float | None = None
    _currents: list[float] = field(default_factory=list)
    _potentials: deque[tuple[float, float]] = field(default_factory=deque)

    @property
    def over(self) -> bool:
        return self.done >= self.stairs.steps

    @property
    def due(self) -> float:
        """Run time (s) at which the step that stands is to be read."""
        return self.begun + self.stairs.ends(self.done + 1)

    @property
    def ended(self) -> float:
        """Run time (s) at which the steps that are done ended by plan."""
        return self.begun + self.stairs.ends(self.done)

    @property
    def level(self) -> float:
        """The level that stands."""
        return self.stairs.level(min(self.done + 1, self.stairs.steps))

    def shift(self, seconds: float) -> None:
        """Everything still to come happens so much later; what passed meanwhile is no part of this."""
        self.begun += seconds
        if self._time is not None:
            self._time += seconds

    def read(self, time: float, measured: Measured) -> Until | None:
        """Take the reading of the step that stands; the end condition that it meets, if any."""
        open_circuit = self.stairs.control is None
        before = self.begun if self._time is None else self._time
        if not open_circuit and math.isfinite(measured.current):
            self.charge += measured.current * (time - before)
        self._time = time
        if self.statistics and self.stairs.points:
            self._currents.append(measured.current)
        if self.average is not None:
            self._potentials.append((time, measured.potential))
            while self._potentials[0][0] < time - self.average:
                self._potentials.popleft()
        if not self.conditions:
            return None
        sample = _Sample(
            np.array([measured.potential]), np.array([measured.current]), np.array([measured.flags], np.uint16)
        )
        met = self.conditions.met(np.array([time - self.begun]), sample, np.array([self.charge]))
        return None if met is None else met[1]

    def point(self, time: float, measured: Measured, closing: bool, held: bool) -> Mapping[str, float] | None:
        """Count the step as done; its point, if it makes one.  `closing` ends the passage early, with a point."""
        stairs, applied = self.stairs, self.level
        self.done += 1
        stored = stairs.is_point(self.done) or (closing and self.done <= stairs.points_until)
        if not stored:
            return None
        currents, self._currents = self._currents or [measured.current], []
        flags = measured.flags | Flag.HOST_TIME | (Flag.HELD if held else 0)
        return {
            "time": time,
            "phase": self.phase,
            "cycle": self.cycle,
            "channel": self.channel,
            "applied_potential": applied if stairs.control == "potential" else math.nan,
            "potential": measured.potential,
            "current": float(np.mean(currents)),
            "current_range": measured.current_range,
            "cell_voltage": measured.cell_voltage,
            "temperature": measured.temperature,
            "charge": self.charge,
            "current_minimum": min(currents),
            "current_maximum": max(currents),
            "flags": flags | (Flag.CELL_OPEN if stairs.control is None else 0),
        }

    def mean(self) -> float:
        """Mean potential (V) of the last `average` seconds; not-a-number without readings."""
        return float(np.mean([each for _, each in self._potentials])) if self._potentials else math.nan
