"""The source within a simulated source-measure unit: what it does to its cell, in real time."""

import math
from typing import Literal

import numpy as np

from luggin.sim.cell.api import Cell, Response

TICK = 2e-3
"""Seconds of one step of the cell; what is set takes effect between two of them."""
_LONGEST_REST = 60.0
"""Seconds of open circuit that are made up for; a cell that rested for longer has come to rest."""
_REST_STEPS = 64
_AT_ONCE = 8
"""Steps after which the current is looked at, whether it is within its bound."""

Function = Literal["VOLT", "CURR"]


class Source:
    """A cell, what is sourced into it, and what was last measured; `now` is real monotonic time in s."""

    def __init__(self, cell: Cell, clamped: bool, now: float) -> None:
        self._cell, self._clamped = cell, clamped
        self._time = now
        self.on = False
        self.function: Function = "VOLT"
        self.volts = self.amps = 0.0
        self.most_volts, self.most_amps = 21.0, 1.05e-4
        self._limit = 0.0  # the current that is held because it reached its bound; 0: the voltage is held
        self.current, self.potential = 0.0, cell.open_circuit_potential()

    def advance(self, now: float) -> None:
        """Let the cell come to `now`, with what is sourced at present."""
        if not self.on and not self._clamped:
            self._rest(now)
            return
        steps = int((now - self._time) / TICK)
        if steps > 0:
            self._time += steps * TICK
            self._drive(steps)

    def _rest(self, now: float) -> None:
        gap = now - self._time
        if gap < TICK:
            return
        self._time = now
        dt = np.full(_REST_STEPS, min(gap, _LONGEST_REST) / _REST_STEPS)
        self._measured(self._cell.open_circuit(dt))

    def _drive(self, steps: int) -> None:
        if self.on and self.function == "CURR":
            self._measured(self._force(self.amps, steps))
            return
        level = self.volts if self.on else 0.0
        while steps > 0:
            count = min(steps, _AT_ONCE)
            steps -= count
            if self._limit:
                self._measured(self._force(self._limit, count))
                if (self.potential - level) * self._limit >= 0:  # the voltage is reached again
                    self._limit = 0.0
            else:
                self._measured(self._hold(level, count))
                if abs(self.current) > self.most_amps:
                    self._limit = math.copysign(self.most_amps, self.current)

    def _hold(self, level: float, steps: int) -> Response:
        dt = np.full(steps, TICK)
        return self._cell.potential_control(dt, np.full(steps, level), np.full(steps, level))

    def _force(self, amps: float, steps: int) -> Response:
        level = np.full(steps, amps)
        return self._cell.current_control(np.full(steps, TICK), level, level, compliance=self.most_volts)

    def _measured(self, response: Response) -> None:
        self.current, self.potential = float(response.current[-1]), float(response.measured[-1])
