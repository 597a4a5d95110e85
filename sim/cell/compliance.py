"""What a potentiostat can't reach: steps held back so that the cell voltage stays within its compliance."""

from collections.abc import Callable

from luggin.sim.cell.electrode import Electrode
from luggin.sim.cell.state import Control, continues
from luggin.sim.cell.surroundings import Counter

CLOSE = 1e-6  # V, of the compliance voltage
FARTHEST = 1e6  # V or A, to look for what can be reached


class Compliance:
    """Steps an electrode under a limit of |working against counter|."""

    def __init__(self, electrode: Electrode, counter: Counter | None) -> None:
        self._electrode, self._counter = electrode, counter
        self._asked: float | None = None  # the end of the last step as asked for, if that was not reached

    def voltage(self) -> float:
        """Working against counter electrode (V); a two-terminal dummy has no counter electrode."""
        state = self._electrode.state
        return self._counter.voltage(state.measured, state.current) if self._counter else state.measured

    def step(self, control: Control, span: float, first: float, last: float, limit: float) -> bool:
        """Advance; True when the cell was held back at the limit."""
        electrode, state = self._electrode, self._electrode.state
        before = state.save()
        start = first
        if self._asked is not None and control is state.control and continues(control, self._asked, first):
            start = state.level
        jump = control is not state.control or not continues(control, state.level, start)
        electrode.step(control, span, start, last)
        voltage = self.voltage()
        if abs(voltage) <= limit:
            self._asked = None
            return False
        side = 1.0 if voltage > 0 else -1.0

        def excess(end: float) -> float:
            state.restore(before)
            electrode.step(control, span, end if jump else start, end)
            return side * self.voltage() - limit

        reach = 0.01 if control is Control.POTENTIAL else max(abs(last) / 16, 1e-12)
        _fall_to_zero(excess, last, abs(voltage) - limit, side, reach)
        self._asked = last
        return True


def _fall_to_zero(excess: Callable[[float], float], high: float, above: float, side: float, reach: float) -> None:
    """Leave `excess`, which rises with side * x, evaluated just below zero, from `high` where it is `above` zero.

    Regula falsi with the Illinois rule, aimed at the middle of what is close enough.
    """
    aim = -CLOSE / 2
    low = high - side * reach
    while (below := excess(low)) > 0 and reach < FARTHEST:
        high, above, reach = low, below, 2 * reach
        low -= side * reach
    up, down, value = above - aim, below - aim, below
    for _ in range(100):
        if abs(value - aim) <= -aim:
            return
        trial = high - up * (high - low) / (up - down)
        if not min(low, high) < trial < max(low, high):
            break
        value = excess(trial)
        if value > aim:
            high, up, down = trial, value - aim, down / 2
        else:
            low, down, up = trial, value - aim, up / 2
    excess(low)
