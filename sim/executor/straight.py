"""Courses made of straight lines: open circuit, holds, ramps and couples."""

import math

import numpy as np
from numpy.typing import NDArray

from luggin.protocol.points import Array
from luggin.protocol.program import sample_count
from luggin.sim.cell.api import Drive, Floats
from luggin.sim.executor.course import WATCH, Pieces, Reduced
from luggin.sim.frontend import Samples

STATISTICS = 8
"""Samples, at least, of which the mean and the extremes of a period are taken."""


class Straight:
    """One straight line from `start` to `end` in `duration` seconds; `control` None is open circuit, and the levels of
    a couple mean nothing.

    Each period is one step or, where it is long, several equal ones; what is left after the last period is sampled
    but stored nowhere.
    """

    trial: Pieces | None = None

    def __init__(
        self,
        control: Drive | None,
        start: float,
        end: float,
        duration: float,
        period: float | None,
        statistics: bool = False,
    ) -> None:
        self.control, self._start, self._end, self._duration = control, start, end, duration
        self.points = sample_count(duration, period)
        self.largest = max(abs(start), abs(end))
        self._statistics = statistics and period is not None
        self._period = period or 0.0
        self._per_point = 1 if period is None else max(1, math.ceil(period / WATCH - 1e-9))
        if self._statistics:
            self._per_point = max(self._per_point, STATISTICS)
        self._regular = self.points * self._per_point
        left = duration - self.points * self._period
        self._tail = math.ceil(left / WATCH - 1e-9) if left > 1e-9 * (period or duration) else 0
        self._tail_step = left / self._tail if self._tail else 0.0
        self._step = self._period / self._per_point
        self.steps = self._regular + self._tail
        self.spacing = self._step if self._regular else self._tail_step
        self._begun = np.empty(0)  # currents of the period under way, for its statistics

    def _times(self, numbers: NDArray[np.intp]) -> Floats:
        """Times at which as many steps as `numbers` say have passed; those of points are whole multiples of the period
        to the last bit."""
        periods, within = np.divmod(np.minimum(numbers, self._regular), self._per_point)
        beyond = np.maximum(numbers - self._regular, 0)
        times: Floats = periods * self._period + within * self._step + beyond * self._tail_step
        return times

    def _levels(self, times: Floats) -> Floats:
        if self._start == self._end:
            return np.full(len(times), self._start)
        low, high = min(self._start, self._end), max(self._start, self._end)
        line = self._start + (self._end - self._start) * (times / self._duration)
        return np.clip(line, low, high)

    def ends(self, first: int, count: int) -> Floats:
        return self._times(np.arange(first + 1, first + count + 1))

    def pieces(self, first: int, count: int) -> Pieces:
        levels = self._levels(self._times(np.arange(first, first + count + 1)))
        dt = np.where(np.arange(first, first + count) < self._regular, self._step, self._tail_step)
        return Pieces(dt, levels[:-1], levels[1:])

    def level(self, done: int) -> float:
        return float(self._levels(self._times(np.array([done])))[0])

    def reduce(self, first: int, samples: Samples, closing: bool) -> Reduced:
        count = len(samples)
        numbers = np.arange(first + 1, first + count + 1)
        chosen = np.flatnonzero((numbers <= self._regular) & (numbers % self._per_point == 0))
        done = min(first, self._regular) // self._per_point + len(chosen)
        even: tuple[float, int] | None = (self._period, done - len(chosen) + 1)
        if closing and done < self.points and (not len(chosen) or chosen[-1] != count - 1):
            chosen, even = np.append(chosen, count - 1), None
        return Reduced(chosen, self._extremes(samples.current, chosen) if self._statistics else {}, even)

    def _extremes(self, current: Floats, chosen: NDArray[np.intp]) -> dict[str, Array]:
        """Mean, smallest and largest current of each period that ends at one of the `chosen` samples."""
        whole = np.concatenate([self._begun, current])
        *periods, self._begun = np.split(whole, chosen + 1 + len(self._begun))
        return {
            "current": np.array([each.mean() for each in periods]),
            "current_minimum": np.array([each.min() for each in periods]),
            "current_maximum": np.array([each.max() for each in periods]),
        }
