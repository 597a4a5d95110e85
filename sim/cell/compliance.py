"""What a potentiostat can't reach: steps held back so that the cell voltage stays within its compliance."""

from collections.abc import Callable

from luggin.sim.cell.electrode import Electrode
from luggin.sim.cell.state import Control, continues
from luggin.sim.cell.surroundings import Counter

CLOSE = 1e-6  # V, of the compliance voltage


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

        _fall_to_zero(excess, last, side, 0.01 if control is Control.POTENTIAL else max(abs(last) / 16, 1e-12))
        self._asked = last
        return True


def _fall_to_zero(excess: Callable[[float], float], end: float, side: float, reach: float) -> None:
    """Leave `excess`, which rises with side * x, evaluated where it is zero, starting from `end` where it is above."""
    high, low = end, end - side * reach
    while (value := excess(low)) > 0 and reach < 1e6:
        high, reach = low, 2 * reach
        low -= side * reach
    for _ in range(100):
        if -CLOSE <= value <= 0:
            return
        middle = (low + high) / 2
        if middle in (low, high):
            break
        value = excess(middle)
        low, high = (low, middle) if value > 0 else (middle, high)
    excess(low)
