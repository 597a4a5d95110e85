"""A segment as the steps of an instrument that only sets and reads: levels that stand, and when each is read."""

import math

from luggin.protocol.program import Control, sample_count

WATCH = 0.1
"""Seconds: the cell is looked at this often where the instrument is fast enough, whether or not points are stored."""
FINE = 0.5e-3
"""Volts: steps of a ramp are this fine where the instrument is fast enough; currents are swept in RAMP_STEPS."""
RAMP_STEPS = 1000


class Stairs:
    """A straight line from `start` to `end` (V or A) in `duration` s; control None leaves the cell open.

    Step k, counted from 1, stands from the end of step k - 1 on and is read at its own end.  Every point is read at the
    end of a whole period, at the level at which the line is then: so the stairs lead the line by half a step.
    `finest` (s) is the shortest step that the instrument can do.
    """

    def __init__(
        self,
        control: Control | None,
        start: float,
        end: float,
        duration: float,
        period: float | None,
        finest: float,
    ) -> None:
        self.control = control
        self._start, self._end, self._duration = start, end, duration
        self.points = sample_count(duration, period)
        self._per_point = 1 if period is None else self._split(period, finest)
        self._step = WATCH if period is None else period / self._per_point
        self._regular = self.points * self._per_point
        left = duration - self.points * (period or 0.0)
        tail = left > 1e-9 * duration
        self._tail = self._split(left, finest) if tail else 0
        self._tail_step = left / self._tail if tail else 0.0
        self.steps = self._regular + self._tail

    @property
    def spacing(self) -> float:
        """Seconds from reading to reading."""
        return self._step if self._regular else self._tail_step

    def ends(self, step: int) -> float:
        """When this step ends and is read, in s since the segment began."""
        if step <= self._regular:
            return step * self._step
        return self._regular * self._step + (step - self._regular) * self._tail_step

    def level(self, step: int) -> float:
        """What stands during this step; before the first one the line's beginning."""
        if step >= self.steps or self._start == self._end:
            return self._end
        return self._start + (self._end - self._start) * (self.ends(step) / self._duration)

    @property
    def points_until(self) -> int:
        """The step that makes the last point."""
        return self._regular

    def is_point(self, step: int) -> bool:
        return step <= self._regular and step % self._per_point == 0

    def _split(self, seconds: float, finest: float) -> int:
        """Into how many steps so many seconds fall."""
        wanted = math.ceil(seconds / WATCH - 1e-9)
        travel = abs(self._end - self._start)
        if travel and self.control is not None:
            fine = FINE if self.control == "potential" else travel / RAMP_STEPS
            wanted = max(wanted, math.ceil(travel * (seconds / self._duration) / fine - 1e-9))
        return max(1, min(wanted, math.floor(seconds / finest * (1 + 1e-9))))
