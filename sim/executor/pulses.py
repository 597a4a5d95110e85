"""The course of a pulse train: every pulse in steps that meet its sampling window exactly, one point a period."""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from luggin.protocol.points import Array, Flag
from luggin.protocol.program import Pulse, Pulses
from luggin.sim.cell.api import Drive, Floats
from luggin.sim.executor.course import WATCH, Pieces, Reduced
from luggin.sim.frontend import Samples

_OF_WINDOWS = Flag.SETTLING | Flag.CURRENT_OVERLOAD


class PulseTrain:
    """A `Pulses` segment whose staircase begins at `base` + its start (V or A).

    Each sample is the mean over its step.  A window that leaves the time for whole mains cycles (`mains` in Hz) covers
    just these, up to its end.  Ranges change after the last step of a period only, by what the windows read.
    """

    trial: Pieces | None = None

    def __init__(self, segment: Pulses, base: float, mains: int) -> None:
        self.control: Drive | None = segment.control
        self.points = segment.count
        self.largest = max(abs(base + level) for level in segment.levels())
        self._start, self._step, self._difference = base + segment.start, segment.step, segment.difference
        steps = [
            (dt, number, pulse.record if sampled else "nothing")
            for number, pulse in enumerate(segment.pulses)
            for dt, sampled in _cut(pulse, mains)
        ]
        self._dt = np.array([dt for dt, _, _ in steps])
        self._ends = np.cumsum(self._dt)
        self._period = float(self._ends[-1])
        pulses = [segment.pulses[number] for _, number, _ in steps]
        self._offsets = np.array([pulse.offset for pulse in pulses])
        self._climbs = np.array([not pulse.from_start for pulse in pulses])
        self._forward, self._reverse = (
            np.flatnonzero([record == name for _, _, record in steps]) for name in ("forward", "reverse")
        )
        self._sampled = np.concatenate([self._forward, self._reverse])
        self.steps = segment.count * len(steps)
        self.spacing = self._period / len(steps)
        self._begun: Samples | None = None  # samples of the period under way

    def ends(self, first: int, count: int) -> Floats:
        periods, within = np.divmod(np.arange(first, first + count), len(self._dt))
        last = within == len(self._dt) - 1
        # Those of points are whole multiples of the period to the last bit.
        times: Floats = (periods + last) * self._period + np.where(last, 0.0, self._ends[within])
        return times

    def pieces(self, first: int, count: int) -> Pieces:
        numbers = np.arange(first, first + count)
        within = numbers % len(self._dt)
        levels = self._levels(numbers)
        return Pieces(
            self._dt[within],
            levels,
            levels,
            mean=True,
            counts=np.isin(within, self._sampled),
            turns=within == len(self._dt) - 1,
        )

    def level(self, done: int) -> float:
        return float(self._levels(np.array([max(done - 1, 0)]))[0])

    def _levels(self, numbers: NDArray[np.intp]) -> Floats:
        periods, within = np.divmod(numbers, len(self._dt))
        levels: Floats = self._start + self._climbs[within] * periods * self._step + self._offsets[within]
        return levels

    def reduce(self, first: int, samples: Samples, closing: bool) -> Reduced:
        known = samples if self._begun is None else Samples.join(self._begun, samples)
        before, size = len(known) - len(samples), len(self._dt)
        periods, left = divmod(len(known), size)
        number = (first - before) // size
        chosen = np.arange(1, periods + 1) * size - 1 - before
        rest = known[periods * size :]
        self._begun = rest if left else None
        columns = self._columns(known[: periods * size], number)
        if not (closing and left):
            return Reduced(chosen, columns, (self._period, number + 1))
        short = self._cut_short(rest, number + periods)
        return Reduced(
            np.append(chosen, len(samples) - 1),
            {name: np.concatenate([column, short[name]]) for name, column in columns.items()},
        )

    def _columns(self, whole: Samples, number: int) -> dict[str, Array]:
        """Columns of the points of whole periods, the first of which is period `number`."""
        size = len(self._dt)
        current, flags = whole.current.reshape(-1, size), whole.flags.reshape(-1, size)
        at = self._forward[-1]
        forward, reverse = (self._mean(current, window) for window in (self._forward, self._reverse))
        windows = flags[:, self._sampled]
        marks = np.bitwise_or.reduce(windows, axis=1) & _OF_WINDOWS
        marks |= np.bitwise_and.reduce(windows, axis=1) & Flag.UNDERLOAD
        marks |= np.bitwise_or.reduce(flags, axis=1) & Flag.CONTROL_OVERLOAD
        columns: dict[str, Array] = {
            "applied_potential": self._stairs(number + np.arange(len(current))),
            "current": forward - reverse if self._difference else forward,
            "forward_current": forward,
            "reverse_current": reverse,
            "flags": marks,
        }
        for name in ("potential", "cell_voltage", "current_range"):
            columns[name] = getattr(whole, name).reshape(-1, size)[:, at]
        return columns

    def _cut_short(self, begun: Samples, number: int) -> Mapping[str, Array]:
        """The point of a period that came to no end: what was measured last, not for evaluation."""
        last = begun[-1:]
        windows = {"forward_current": self._forward, "reverse_current": self._reverse}
        currents = {
            name: self._mean(begun.current[np.newaxis], window)
            if len(window) and window[-1] < len(begun)
            else np.array([np.nan])
            for name, window in windows.items()
        }
        return {
            "applied_potential": self._stairs(np.array([number])),
            "current": last.current,
            **currents,
            "flags": last.flags | Flag.SETTLING,
            "potential": last.potential,
            "cell_voltage": last.cell_voltage,
            "current_range": last.current_range,
        }

    def _mean(self, current: Floats, window: NDArray[np.intp]) -> Floats:
        """Mean currents over a window, one for each row; NaN for one that the train does not have."""
        if not len(window):
            return np.full(len(current), np.nan)
        weights = self._dt[window] / self._dt[window].sum()
        return np.asarray(current[:, window] @ weights, dtype=float)

    def _stairs(self, numbers: NDArray[np.intp]) -> Floats:
        if self.control != "potential":
            return np.full(len(numbers), np.nan)
        return np.asarray(self._start + numbers * self._step, dtype=float)


def _cut(pulse: Pulse, mains: int) -> Sequence[tuple[float, bool]]:
    """The steps of one pulse: seconds of each, and whether it lies in the sampling window."""
    if pulse.record == "nothing":
        return _equal(pulse.duration, sampled=False)
    end = min(pulse.sample_to, pulse.duration)
    window = end - pulse.sample_from
    cycles = math.floor(window * mains * (1 + 1e-9) + 1e-9)
    window = cycles / mains if cycles else window
    return [
        *_equal(end - window, sampled=False),
        *_equal(window, sampled=True),
        *_equal(pulse.duration - end, sampled=False),
    ]


def _equal(duration: float, *, sampled: bool) -> list[tuple[float, bool]]:
    """Equal steps of at most WATCH; none of what is nothing but rounding."""
    if duration <= 1e-9:
        return []
    count = math.ceil(duration / WATCH - 1e-9)
    return [(duration / count, sampled)] * count
