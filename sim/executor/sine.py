"""The course of a sine at one frequency: whole cycles that settle, whole cycles that are evaluated, one point.

A frequency is stepped through, at least PER_CYCLE steps a cycle, when all its cycles take no more than MOST_STEPS
steps.  A faster one, or one that is measured for long, would take the computer too long: then the cell is held at the
bias, and the sine rides on the samples as the cell's impedance says, which is its linearised response in the state of
that moment.  Its samples are folded: so many are taken of each cycle's phase, out of many cycles.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from luggin.protocol.points import Array, Flag
from luggin.protocol.program import Sine
from luggin.sim.cell.api import Drive, Floats
from luggin.sim.executor.course import WATCH, Pieces, Reduced, Ripple
from luggin.sim.frontend import POOR, Samples

PER_CYCLE = 96
MOST_STEPS = 2000
FOLDED = 4
"""Cycles, at least, into which a sine that is not stepped through is folded."""
_TRIAL = 24
"""Steps a cycle of the trial."""
_SETTLING = int(Flag.SETTLING)


@dataclass(frozen=True)
class Stretch:
    """`steps` equal steps that last `seconds` and pass `turn` steps a cycle."""

    steps: int
    seconds: float
    turn: int

    @property
    def spacing(self) -> float:
        return self.seconds / self.steps if self.steps else 0.0


class OneFrequency:
    """`bias` in V or A.  The range is chosen before the first cycle, by a trial, and stays."""

    def __init__(self, segment: Sine, frequency: float, bias: float) -> None:
        self.control: Drive | None = segment.control
        self.points = 1
        self.largest = abs(bias) + segment.amplitude
        self._bias, self._amplitude, self._frequency = bias, segment.amplitude, frequency
        settle, measure = segment.cycles(frequency)
        per_cycle = max(PER_CYCLE, math.ceil(1 / (frequency * WATCH) - 1e-9))
        self._stepped = (settle + measure) * PER_CYCLE <= MOST_STEPS
        if self._stepped:
            self._settle = Stretch(settle * per_cycle, settle / frequency, per_cycle)
            self._measure = Stretch(measure * per_cycle, measure / frequency, per_cycle)
        else:
            folded = max(FOLDED, math.ceil(measure / frequency / WATCH / PER_CYCLE))
            self._measure = Stretch(folded * PER_CYCLE, measure / frequency, PER_CYCLE)
            before = settle / frequency
            self._settle = Stretch(math.ceil(before / self._measure.spacing), before, PER_CYCLE)
        self.steps = self._settle.steps + self._measure.steps
        self.spacing = self._measure.spacing
        self._whole, self._clean = Sums(), Sums()
        self._begun: list[Floats] = []  # rows of the cycle under way

    @property
    def trial(self) -> Pieces | None:
        if self.control != "potential":
            return None
        numbers = np.arange(_TRIAL * 3 // 2 + 1)
        if self._stepped:
            return self._lines(numbers, np.full(len(numbers) - 1, 1 / (_TRIAL * self._frequency)), _TRIAL)
        return self._held(numbers, np.full(len(numbers) - 1, self.spacing), _TRIAL)

    def ends(self, first: int, count: int) -> Floats:
        numbers = np.arange(first + 1, first + count + 1)
        before, during = np.minimum(numbers, self._settle.steps), np.maximum(numbers - self._settle.steps, 0)
        times: Floats = before * self._settle.spacing + during * self._measure.spacing
        return times

    def pieces(self, first: int, count: int) -> Pieces:
        numbers = np.arange(first, first + count + 1)
        dt = np.where(numbers[:-1] < self._settle.steps, self._settle.spacing, self._measure.spacing)
        return (self._lines if self._stepped else self._held)(self._phased(numbers), dt, self._measure.turn)

    def level(self, done: int) -> float:
        if not self._stepped:
            return self._bias
        return float(self._lines(np.array([0, done]), np.zeros(1), self._measure.turn).last[0])

    def reduce(self, first: int, samples: Samples, closing: bool) -> Reduced:
        numbers = self._phased(np.arange(first, first + len(samples) + 1))
        rows = self._rows(numbers, samples)[max(0, self._settle.steps - first) :]
        turn = self._measure.turn
        while len(rows):
            missing = turn - sum(map(len, self._begun))
            self._begun.append(rows[:missing])
            rows = rows[missing:]
            if sum(map(len, self._begun)) == turn:
                cycle, self._begun = np.concatenate(self._begun), []
                self._whole.add(cycle)
                if not (cycle[:, 6].astype(np.uint16) & _SETTLING).any():
                    self._clean.add(cycle)
        if first + len(samples) < self.steps:
            return Reduced(np.empty(0, dtype=np.intp))
        at = len(samples) - 1
        return Reduced(np.array([at]), self._point(float(samples.current_range[at])))

    def _phased(self, numbers: NDArray[np.intp]) -> NDArray[np.intp]:
        """Steps counted so that the evaluation begins at phase zero."""
        phased: NDArray[np.intp] = numbers + (-self._settle.steps) % self._measure.turn
        return phased

    def _lines(self, numbers: NDArray[np.intp], dt: Floats, turn: int) -> Pieces:
        levels = self._bias + self._amplitude * np.sin(2 * math.pi * (numbers % turn) / turn)
        steady = np.zeros(len(dt), dtype=bool)
        # The mean current of a step is known under potential control; of a current that is forced, the ends are.
        return Pieces(dt, levels[:-1], levels[1:], mean=self.control == "potential", turns=steady)

    def _held(self, numbers: NDArray[np.intp], dt: Floats, turn: int) -> Pieces:
        level = np.full(len(dt), self._bias)
        phasor = self._amplitude * np.exp(2j * math.pi * (numbers[1:] % turn) / turn)
        steady = np.zeros(len(dt), dtype=bool)
        return Pieces(dt, level, level, turns=steady, ripple=Ripple(self._frequency, phasor))

    def _rows(self, numbers: NDArray[np.intp], samples: Samples) -> Floats:
        """A row of model, measured quantities and flags for each sample."""
        turn, middle = self._measure.turn, 0.0
        potential = samples.potential
        if self._stepped and self.control == "potential":
            pieces = self._lines(numbers, np.zeros(len(samples)), turn)
            potential, middle = potential - (pieces.last - pieces.first) / 2, 0.5
        angle = 2 * math.pi * (numbers[1:] - middle) / turn
        drift = (numbers[1:] - self._phased(np.array([self._settle.steps])) - 0.5) / self._measure.steps - 0.5
        columns = (drift, np.cos(angle), np.sin(angle), potential, samples.current, samples.cell_voltage, samples.flags)
        return np.stack(columns, axis=1).astype(float)

    def _point(self, scale: float) -> dict[str, Array]:
        sums = self._clean if self._clean.count else self._whole
        (potential, current, voltage), (driven, answered) = sums.solve()
        impedance = driven / answered if answered != 0 else complex(math.nan, math.nan)
        flags = sums.flags & ~int(Flag.UNDERLOAD)
        if abs(answered) < POOR * scale:
            flags |= sums.flags & int(Flag.UNDERLOAD)
        values = {
            "applied_potential": self._bias if self.control == "potential" else math.nan,
            "potential": potential,
            "current": current,
            "cell_voltage": voltage,
            "frequency": self._frequency,
            "impedance_real": impedance.real,
            "impedance_imaginary": impedance.imag,
        }
        return {
            **{name: np.array([value]) for name, value in values.items()},
            "flags": np.array([flags], dtype=np.uint16),
        }


@dataclass
class Sums:
    """Least squares of potential, current and cell voltage against a level, a drift and the sine, cycle by cycle."""

    count: int = 0
    flags: int = 0
    _normal: Floats = field(default_factory=lambda: np.zeros((4, 4)))
    _right: Floats = field(default_factory=lambda: np.zeros((4, 3)))

    def add(self, cycle: Floats) -> None:
        """Rows of one whole cycle: drift, cosine, sine, potential, current, cell voltage, flags."""
        model = np.concatenate([np.ones((len(cycle), 1)), cycle[:, :3]], axis=1)
        self._normal += model.T @ model
        self._right += model.T @ cycle[:, 3:6]
        self.flags |= int(np.bitwise_or.reduce(cycle[:, 6].astype(np.uint16)))
        self.count += 1

    def solve(self) -> tuple[tuple[float, float, float], tuple[complex, complex]]:
        """Means of the three quantities, and the phasors of potential and current (V, A)."""
        found = np.linalg.solve(self._normal, self._right)
        potential, current, voltage = found[0].tolist()
        driven, answered = (complex(found[3, k], found[2, k]) for k in (0, 1))
        return (potential, current, voltage), (driven, answered)
