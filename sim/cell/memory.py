"""Advancing the memories of all species over one time step, for any shape the flux may have within it.

Each mode obeys dm/dt = j - rate * m. Over a step the flux j is taken as an interpolation between its value at the
start, j0, and the unknown value at the end, j1, so that everything at the end is linear in both:

    m1 = decay * m0 + load @ [j0, j1]               modes
    c1 = bulk + recall @ m0 + b0 j0 + b1 j1            surface concentrations

Shapes: a straight line; a / sqrt(t) + b with t counted from the last jump, which is what diffusion answers to a jump;
and for the first moment after a jump, where j0 means nothing, a / sqrt(t) or a constant.
"""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TypeVar

import numpy as np

from luggin.sim.cell.api import Floats
from luggin.sim.cell.dawson import dawson
from luggin.sim.cell.diffusion import Modes

MOST_CACHED = 1024
Key = TypeVar("Key")


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
    load    (modes, 2 fluxes)   columns: every j0, every j1
    recall  (species, modes)    species: O and R of each couple in turn
    ends    for each couple b0 and b1 of O, and the same of R
    mean    for each couple the weights of j0 and j1 in the mean flux
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
        self.bound = [any(track.bound for track in pair) for pair in couples]
        self.still = [not self.rates[span].any() for span in self._spans]  # nothing diffuses
        self._lines: dict[float, Step] = {}
        self._others: dict[tuple[str, float, float], Step] = {}

    def empty(self) -> Floats:
        return np.zeros(len(self.rates))

    def step(self, shape: Shape, span: float, since: float) -> Step:
        """Coefficients for a step of `span` s that begins `since` s after the jump."""
        if shape is Shape.LINE:
            found = self._lines.get(span)
            if found is None:
                found = _keep(self._lines, span, self._work_out(shape, span, 0.0))
            return found
        key = (shape.value, span, since)
        found = self._others.get(key)
        if found is None:
            found = _keep(self._others, key, self._work_out(shape, span, since))
        return found

    def _work_out(self, shape: Shape, span: float, since: float) -> Step:
        fluxes = len(self._spans)
        loads = np.zeros((len(self.rates), 2))
        load = np.zeros((len(self.rates), 2 * fluxes))
        mean = []
        for flux, modes in enumerate(self._spans):
            rates = np.append(self.rates[modes], 0.0)  # the last one is the integral, whence the mean
            own = shape
            if self.still[flux]:
                own = Shape.LEVEL if shape in (Shape.BURST, Shape.LEVEL) else Shape.LINE
            parts = _loads(own, rates, span, since)
            loads[modes] = load[modes, flux::fluxes] = parts[:-1]
            mean.append((parts[-1] / span).tolist())
        decay = np.exp(-self.rates * span)
        ends = self.weights @ loads
        ends[:, 1] += self.immediate
        return Step(
            decay=decay,
            load=load,
            recall=self.weights * decay,
            ends=ends.reshape(fluxes, 4).tolist(),
            mean=mean,
        )


def _keep(cache: dict[Key, Step], key: Key, step: Step) -> Step:
    if len(cache) >= MOST_CACHED:
        cache.clear()
    cache[key] = step
    return step


def _loads(shape: Shape, rates: Floats, span: float, since: float) -> Floats:
    """What one unit of j0 and of j1 leaves in modes of these rates: shape (modes, 2)."""
    z = rates * span
    level = span * _phi1(z)
    at0 = np.zeros_like(level)
    if shape is Shape.LINE:
        at0 = level - span * _phi2(z)
    elif shape is not Shape.LEVEL:
        start, stop = math.sqrt(since), math.sqrt(since + span)
        burst = _burst(rates, span, start, stop)
        if shape is Shape.BURST:
            return np.stack([at0, burst * stop], axis=1)
        at0 = (burst - level / stop) / (1 / start - 1 / stop)
    return np.stack([at0, level - at0], axis=1)


def _burst(rates: Floats, span: float, start: float, stop: float) -> Floats:
    """Integral of exp(-rate (stop^2 - t)) / sqrt(t) from start^2 to stop^2."""
    slow = np.sqrt(rates)
    at_stop, at_start = dawson(np.stack([slow * stop, slow * start]))
    closed = 2 / np.maximum(slow, 1e-300) * (at_stop - np.exp(-rates * span) * at_start)
    return np.where(slow * stop > 1e-6, closed, 2 * (stop - start))


def _phi1(z: Floats) -> Floats:
    """(1 - exp(-z)) / z."""
    return np.where(z > 1e-8, -np.expm1(-z) / np.maximum(z, 1e-8), 1 - z / 2)


def _phi2(z: Floats) -> Floats:
    """(z - 1 + exp(-z)) / z^2: the share of the end value under a straight line."""
    small = np.minimum(z, 0.1)
    series = 1 / 2 - small / 6 * (1 - small / 4 * (1 - small / 5 * (1 - small / 6 * (1 - small / 7 * (1 - small / 8)))))
    large = np.maximum(z, 0.1)
    return np.where(z > 0.1, (large + np.expm1(-large)) / large**2, series)
