"""The limits of a program, checked by the instrument itself on every sample."""

from luggin.protocol import limits
from luggin.protocol.instrument import Outcome
from luggin.protocol.points import Array, batch
from luggin.protocol.program import Program
from luggin.protocol.quantity import show
from luggin.sim.cell.api import Floats
from luggin.sim.frontend import Samples


class Guard:
    """Watches one run.  `check` must see every sample once, in order."""

    def __init__(self, program: Program) -> None:
        self._program = program
        self._state = limits.LimitState()

    def check(self, samples: Samples, charge: Floats) -> tuple[int, Outcome, str] | None:
        """The first sample that violates a limit, the outcome and a sentence; `charge` (C) is that of the segment."""
        columns: dict[str, Array] = {
            "time": samples.time,
            "potential": samples.potential,
            "current": samples.current,
            "cell_voltage": samples.cell_voltage,
            "charge": charge,
            "temperature": samples.temperature,
            "flags": samples.flags,
        }
        self._state, violation = limits.check(self._state, batch("", "", 0, columns), self._program)
        if violation is None:
            return None
        lost = violation.quantity == "control loop"
        # The instrument counts samples; what it says to people should not look like the number of a point.
        words = violation.sentence.rpartition(" (")[0]
        sentence = f"{words}, at {show(violation.time, 's')}"
        return violation.index, Outcome.CONTROL_OVERLOAD if lost else Outcome.LIMIT, sentence
