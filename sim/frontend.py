"""The measuring side of the instrument: what its converters make of what happens in the cell.

Everything here acts on samples, one for each step that the cell took, and is a pure function of their numbers and
times: noise is known by the sample's number, hum and settling by its time.
"""

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from luggin.protocol.points import Array, Flag
from luggin.sim.cell.api import Drive, Floats, Response
from luggin.sim.models import Model, Range
from luggin.sim.noise import Noise
from luggin.sim.ranging import UP, Place, Ranged, Ranges, Rule

RAIL = 1.1
"""Shares of full scale at which a converter clips."""
POOR = 0.002
"""Share of full scale below which a reading counts as poorly resolved."""
OVER = 1.01
"""Share of full scale above which a reading counts as overloaded; noise a little beyond full scale is no overload."""
MOST_CYCLES = 5
FLOATING = 0.05
"""Seconds in which the input of a lost reference drifts off to its rail."""
_SWING, _SWING_PERIOD, _TEMPERATURE_STEP = 0.05, 600.0, 0.01
"""The room: half of its swing (K), one swing (s), and the resolution (K) with which it is followed."""


@dataclass(frozen=True)
class Taken:
    """Samples as they were asked for: number of the first, run times (s) of each, potentials asked for (V, or NaN),
    seconds between them, what was controlled (None: cell open), whether the range may change, and since when (run
    time) the reference is lost.

    `mean_over` are the seconds of which each current is the mean; None: the readings of each sample are averaged up to
    its time.  `counts` and `turns` as in `Ranges.follow`.
    """

    first: int
    time: Floats
    applied: Floats
    spacing: float
    control: Drive | None
    automatic: bool
    lost: float = math.inf
    mean_over: Floats | None = None
    counts: NDArray[np.bool_] | None = None
    turns: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Samples:
    """What was measured, arrays of shape (n,) in SI units.  Numbers that do not exist are NaN."""

    time: Floats
    applied: Floats
    potential: Floats
    current: Floats
    current_range: Floats
    cell_voltage: Floats
    charge: Floats
    """Passed in each sample's own step (C)."""
    temperature: Floats
    flags: NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.time)

    @staticmethod
    def join(*parts: "Samples") -> "Samples":
        return Samples(*(np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(Samples)))

    def __getitem__(self, part: slice) -> "Samples":
        return Samples(*(getattr(self, each.name)[part] for each in fields(Samples)))


def averaging(spacing: float, mains: int) -> float:
    """Seconds over which a sample is averaged: whole mains cycles, at most MOST_CYCLES, where there is time for one."""
    cycles = min(math.floor(spacing * mains * (1 + 1e-9)), MOST_CYCLES)
    return cycles / mains if cycles else spacing


class FrontEnd:
    """Converters and ranges during one run.  `place`, where ranging stands, is the only thing that changes."""

    def __init__(
        self,
        model: Model,
        ranges: Ranges,
        noise: Noise | None,
        mains: int,
        temperature: float,
        pickup: float = 0.0,
    ) -> None:
        """Without `noise` every reading is exact and every sample finds the best of the allowed ranges.  `pickup` is
        the noise current that reaches the instrument from outside, A per root hertz."""
        self._model, self._noise, self._mains = model, noise, mains
        self._ranges, self._temperature, self._pickup = ranges, temperature, pickup
        self._scales = np.array([each.full_scale for each in ranges.all])
        self.place = ranges.initial
        self._lowest = ranges.lowest

    def prepare(self, control: Drive | None, largest: float, lead: float = math.inf) -> None:
        """Choose the range for a segment: that of the current asked for, or one within the limits of autoranging that
        settles within `lead` seconds."""
        ranges = self._ranges
        self._lowest = ranges.fast(lead)
        if control == "current":
            index = ranges.holding(largest)
        else:
            index = min(max(self.place.index, self._lowest), ranges.highest)
        if index != self.place.index:
            self.place = Place(index)

    def foresee(self, peak: float, now: float) -> None:
        """Go, at run time `now` (s), to the smallest of the allowed ranges in which a current of this magnitude (A)
        would not ask for a larger one."""
        fits = np.flatnonzero(self._scales[self._lowest : self._ranges.highest] * UP >= peak)
        index = self._lowest + int(fits[0]) if len(fits) else self._ranges.highest
        if index != self.place.index:
            self.place = Place(index, settled=now + self._ranges.all[index].settling)

    @property
    def most_current(self) -> float:
        """What the output stage delivers at most (magnitude, A)."""
        return RAIL * float(self._scales[-1])

    def measure(self, taken: Taken, response: Response) -> Samples:
        """Measure what the cell answered; `response` has one entry for each sample."""
        count = len(taken.time)
        closed = taken.control is not None
        if self._noise is None:
            ranged, potential, voltage = self._exactly(taken, response), response.measured, response.voltage
            temperature = np.full(count, self._temperature)
        else:
            drawn, span = self._noise(taken.first, count), self._spans(taken)
            ranged = self._currents(taken, response.current, span, drawn[:, 0])
            spread = self._model.potential_noise * np.sqrt(1 / (2 * span))
            potential = self._converted(response.measured + spread * drawn[:, 1], self._model.window, span)
            voltage = self._converted(response.voltage + spread * drawn[:, 2], self._model.compliance, span)
            swing = _SWING * np.sin(2 * math.pi * taken.time / _SWING_PERIOD)
            temperature = np.rint((self._temperature + swing) / _TEMPERATURE_STEP) * _TEMPERATURE_STEP
        lost = taken.time > taken.lost
        if lost.any():
            rail = RAIL * self._model.window
            away = 1 - np.exp(-np.where(lost, taken.time - taken.lost, 0.0) / FLOATING)
            potential = potential + away * (rail - potential)
        nothing = np.full(count, np.nan)
        return Samples(
            time=taken.time,
            applied=taken.applied,
            potential=potential,
            current=ranged.reading if closed else nothing,
            current_range=self._scales[ranged.index],
            # The column is counter against working electrode.
            cell_voltage=-voltage if closed else nothing,
            charge=response.charge,
            temperature=temperature,
            flags=self._flags(ranged, closed, response.limited | (lost & (taken.control == "potential"))),
        )

    def _exactly(self, taken: Taken, response: Response) -> Ranged:
        still = np.zeros(len(taken.time), dtype=bool)
        if taken.automatic and taken.control is not None:
            allowed = self._scales[self._lowest : self._ranges.highest + 1]
            index = np.searchsorted(allowed, np.abs(response.current)).clip(max=len(allowed) - 1)
            index = index + self._lowest
            self.place = Place(int(index[-1]))
        else:
            index = np.full(len(taken.time), self.place.index)
        return Ranged(response.current, index, still)

    def _spans(self, taken: Taken) -> Floats:
        """Seconds over which each sample is averaged."""
        if taken.mean_over is not None:
            return taken.mean_over
        return np.full(len(taken.time), averaging(taken.spacing, self._mains))

    def _currents(self, taken: Taken, current: Floats, span: Floats, drawn: Floats) -> Ranged:
        # The mean of a sine over the span: nothing is left of it over whole cycles.
        omega, begin = 2 * math.pi * self._mains, taken.time - span
        hum = self._model.hum * (np.cos(omega * begin) - np.cos(omega * taken.time)) / (omega * span)
        spread = np.sqrt(1 / (2 * span)) * drawn

        def read(part: slice, within: Range) -> Floats:
            reaching = (
                current[part] + math.hypot(within.noise, self._pickup) * spread[part] + within.full_scale * hum[part]
            )
            return self._converted(reaching, within.full_scale, span[part])

        automatic = taken.automatic and taken.control is not None
        rule = Rule(self._lowest, taken.counts, taken.turns) if automatic else None
        begins = None if taken.mean_over is None else begin
        self.place, ranged = self._ranges.follow(self.place, taken.time, read, rule, begins)
        return ranged

    def _converted(self, value: Floats, full_scale: float, span: Floats) -> Floats:
        """The mean of the conversions within `span` seconds, of each value, by a converter that clips at RAIL.

        One conversion has `counts` steps from zero to full scale; the noise spreads several over neighbouring steps,
        so that their mean has as many more.
        """
        conversions = np.maximum(1, np.rint(span / self._model.fastest_period))
        step = full_scale / self._model.counts / conversions
        converted: Floats = np.clip(np.rint(value / step) * step, -RAIL * full_scale, RAIL * full_scale)
        return converted

    def _flags(self, ranged: Ranged, closed: bool, limited: Array) -> NDArray[np.uint16]:
        if not closed:
            return np.full(len(ranged.index), Flag.CELL_OPEN, dtype=np.uint16)
        share = np.abs(ranged.reading) / self._scales[ranged.index]
        marks = {
            Flag.SETTLING: ranged.settling,
            Flag.CURRENT_OVERLOAD: share > OVER,
            Flag.UNDERLOAD: (share < POOR) & (self._noise is not None),
            Flag.CONTROL_OVERLOAD: limited,
        }
        flags = np.zeros(len(share), dtype=np.uint16)
        for flag, mask in marks.items():
            flags |= mask * np.uint16(flag)
        return flags
