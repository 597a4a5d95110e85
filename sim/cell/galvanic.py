"""A galvanic couple: two electrodes in one solution, joined as by a wire."""

from collections.abc import Callable

from luggin.sim.cell.api import CellError
from luggin.sim.cell.electrode import Electrode
from luggin.sim.cell.state import Control

CLOSE = 1e-9
"""Of the larger of both currents: what may be left of their sum."""
LEAST = 1e-15  # A
NEAR = 1e-3  # V, where the search begins to look for the common potential
FARTHEST = 100.0  # V


class Wire:
    """Finds, step by step, the potential at which all the current of one electrode comes out of the other."""

    def __init__(self, first: Electrode, second: Electrode) -> None:
        self._pair = (first, second)

    def step(self, span: float) -> None:
        """Advance both by `span` seconds."""
        before = [each.state.save() for each in self._pair]
        level = self._standing()

        def excess(end: float) -> float:
            for electrode, saved in zip(self._pair, before, strict=True):
                electrode.state.restore(saved)
                electrode.step(Control.POTENTIAL, span, end if level is None else level, end)
            return sum(each.state.current for each in self._pair)

        # The current of each never falls with its potential: one potential alone makes the sum vanish.
        guess = sum(each.state.measured for each in self._pair) / 2 if level is None else level
        above = excess(guess)
        reach = -NEAR if above > 0 else NEAR
        far = guess
        while above != 0 and abs(reach) < FARTHEST:
            near, beside, far = far, above, guess + reach
            above = excess(far)
            if (above > 0) != (beside > 0):
                self._close_in(excess, near, beside, far, above)
                return
            reach *= 4
        if above != 0:
            raise CellError("the two electrodes of this cell have no potential in common; look at its document")

    def _standing(self) -> float | None:
        """The potential at which both already stand together, if they do."""
        first, second = (each.state for each in self._pair)
        joined = first.control is second.control is Control.POTENTIAL and first.level == second.level
        return first.level if joined else None

    def _close_in(self, excess: Callable[[float], float], a: float, at_a: float, b: float, at_b: float) -> None:
        """Regula falsi with the Illinois rule between two potentials where the sums of currents differ in sign."""
        for _ in range(200):
            trial = b - at_b * (b - a) / (at_b - at_a)
            value = excess(trial)
            largest = max(abs(each.state.current) for each in self._pair)
            if abs(value) <= max(CLOSE * largest, LEAST) or abs(b - a) < 1e-13:
                return
            if (value > 0) == (at_b > 0):
                at_a /= 2
            else:
                a, at_a = b, at_b
            b, at_b = trial, value
