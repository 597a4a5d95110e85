"""Advancing the memories of all species over one time step, for any shape the flux may have within it.

Each mode obeys dm/dt = j - rate * m. Over a step the flux j is taken as an interpolation between its value at the
start, j0, and the unknown value at the end, j1, so that everything at the end is linear in j1:

    m1 = decay * m0 + load @ [j0, j1, before]           modes
    c1 = bulk + recall @ m0 + b0 j0 + b1 j1 + bb before    surface concentrations

Shapes: a straight line; a / sqrt(t) + b with t counted from the last jump, which is what diffusion answers to a jump;
and for the first moment after a jump, where j0 means nothing, a / sqrt(t) or a constant. An amount that is bound to
the electrode follows its potential stiffly, and straight lines from j0 would ring; theirs go through `before`, the
mean flux of the previous step, instead (which makes the integral the second backward difference).
"""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.special import dawsn

from luggin.sim.cell.api import Floats
from luggin.sim.cell.diffusion import Modes

MOST_CACHED = 1024


class Shape(Enum):
    LINE = "line"
    ROOT = "root"  # a / sqrt(t) + b
    BURST = "burst"  # a / sqrt(t), from a jump of the surface concentration
    LEVEL = "level"  # constant


@dataclass(frozen=True)
class Track:
    """One species of a couple.

    `kind` tells which species decay at the same rates whatever the conditions: a couple of one kind shares a memory.
    `loss` (1/s) is a first-order decay of everything that the species has spread: a following reaction, stirring.
    `bound` marks an amount that can't leave the electrode.
    """

    kind: Hashable
    modes: Modes
    loss: float = 0.0
    bound: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """Coefficients of one step (see the module).

    decay   (modes,)
    load    (modes, 3 fluxes)   columns: every j0, every j1, every `before`
    recall  (species, modes)    species: O and R of each couple in turn
    ends    for each couple (b0, b1, bb) of O and the same of R
    mean    for each couple the weights of j0, j1 and `before` in the mean flux
    """

    decay: Floats
    load: Floats
    recall: Floats
    ends: list[list[float]]
    mean: list[list[float]]


class Memory:
    """The modes of all couples in one vector, and the coefficients for stepping it."""

    def __init__(self, couples: Sequence[tuple[Track, Track]]) -> None:
        """Each couple's O and R; O gains from the couple's flux what R loses."""
        rates: list[Floats] = []
        rows: list[tuple[int, Floats]] = []
        self._spans: list[slice] = []  # the modes of each couple
        size = 0
        for pair in couples:
            begin = size
            for number, track in enumerate(pair):
                if number == 0 or track.kind != pair[0].kind:
                    rates.append(track.modes.rates + track.loss)
                    size += len(rates[-1])
                rows.append((size - len(rates[-1]), (-1) ** number * track.modes.weights))
            self._spans.append(slice(begin, size))
        self.rates: Floats = np.concatenate([np.zeros(0), *rates])
        self.weights = np.zeros((len(rows), size))
        for row, (start, share) in enumerate(rows):
            self.weights[row, start : start + len(share)] = share
        self.immediate = np.array(
            [(-1) ** number * track.modes.immediate for pair in couples for number, track in enumerate(pair)]
        )
        self._bound = [any(track.bound for track in pair) for pair in couples]
        self._still = [not self.rates[span].any() for span in self._spans]  # nothing diffuses
        self._any_bound = any(self._bound)
        self._lines: dict[tuple[float, float, float], Step] = {}
        self._others: dict[Shape, dict[tuple[float, float, float], Step]] = {shape: {} for shape in Shape}

    def empty(self) -> Floats:
        return np.zeros(len(self.rates))

    def step(self, shape: Shape, span: float, since: float, previous: float) -> Step:
        """Coefficients for a step of `span` s that begins `since` s after the jump; `previous` is the step before."""
        if shape is not Shape.ROOT:
            since = 0.0
        if not self._any_bound:
            previous = 0.0
        cache = self._lines if shape is Shape.LINE else self._others[shape]
        key = (span, since, previous)
        found = cache.get(key)
        if found is None:
            if len(cache) >= MOST_CACHED:
                cache.clear()
            found = cache[key] = self._work_out(shape, span, since, previous)
        return found

    def _work_out(self, shape: Shape, span: float, since: float, previous: float) -> Step:
        fluxes = len(self._spans)
        loads = np.zeros((len(self.rates), 3))
        load = np.zeros((len(self.rates), 3 * fluxes))
        mean = []
        for flux, modes in enumerate(self._spans):
            rates = np.append(self.rates[modes], 0.0)  # the last one is the integral, whence the mean
            own = shape
            if self._still[flux]:
                own = Shape.LEVEL if shape in (Shape.BURST, Shape.LEVEL) else Shape.LINE
            parts = _loads(own, rates, span, since, previous if self._bound[flux] else None)
            loads[modes] = load[modes, flux::fluxes] = parts[:-1]
            mean.append((parts[-1] / span).tolist())
        decay = np.exp(-self.rates * span)
        ends = self.weights @ loads
        ends[:, 1] += self.immediate
        return Step(
            decay=decay,
            load=load,
            recall=self.weights * decay,
            ends=ends.reshape(fluxes, 6).tolist(),
            mean=mean,
        )


def _loads(shape: Shape, rates: Floats, span: float, since: float, previous: float | None) -> Floats:
    """What one unit of j0, of j1 and of the previous mean leaves in modes of these rates: shape (modes, 3).

    `previous`: the length of the previous step (0: there was none) for a flux that must not ring.
    """
    z = rates * span
    level = span * _phi1(z)
    at0 = np.zeros_like(level)
    before = np.zeros_like(level)
    if shape is Shape.LINE:
        at0 = level - span * _phi2(z)
        if previous is not None:
            before = at0 * (2 * span / (2 * span + previous) if previous else 0.0)
            return np.stack([np.zeros_like(level), level - before, before], axis=1)
    elif shape is not Shape.LEVEL:
        start, stop = math.sqrt(since), math.sqrt(since + span)
        burst = _burst(rates, span, start, stop)
        if shape is Shape.BURST:
            return np.stack([at0, burst * stop, before], axis=1)
        at0 = (burst - level / stop) / (1 / start - 1 / stop)
    return np.stack([at0, level - at0, before], axis=1)


def _burst(rates: Floats, span: float, start: float, stop: float) -> Floats:
    """Integral of exp(-rate (stop^2 - t)) / sqrt(t) from start^2 to stop^2."""
    slow = np.sqrt(rates)
    dawson = 2 / np.maximum(slow, 1e-300) * (dawsn(slow * stop) - np.exp(-rates * span) * dawsn(slow * start))
    return np.where(slow * stop > 1e-6, dawson, 2 * (stop - start))


def _phi1(z: Floats) -> Floats:
    """(1 - exp(-z)) / z."""
    return np.where(z > 1e-8, -np.expm1(-z) / np.maximum(z, 1e-8), 1 - z / 2)


def _phi2(z: Floats) -> Floats:
    """(z - 1 + exp(-z)) / z^2: the share of the end value under a straight line."""
    small = np.minimum(z, 0.1)
    series = 1 / 2 - small / 6 * (1 - small / 4 * (1 - small / 5 * (1 - small / 6 * (1 - small / 7 * (1 - small / 8)))))
    large = np.maximum(z, 0.1)
    return np.where(z > 0.1, (large + np.expm1(-large)) / large**2, series)
