"""Advancing the memories of all species over one time step, for any shape the flux may have within it.

Each mode obeys dm/dt = j - rate * m. Over a step the flux j is taken as an interpolation between its value at the
start, j0, and the unknown value at the end, j1, so that everything at the end is linear in j1:

    m1 = decay * m0 + load @ [j0, j1, before]           modes
    c1 = bulk + recall @ m0 + b0 j0 + b1 j1 + bb before    surface concentrations

Shapes: a straight line; a / sqrt(t) + b with t counted from the last jump, which is what diffusion answers to a jump;
and for the first moment after a jump, where j0 means nothing, a / sqrt(t) or a constant. An amount that stays at the
electrode (film, monolayer) follows its potential stiffly, and trapezoids would ring; its integral is taken by the
second backward difference, in which `before` is the mean flux of the previous step.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray
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
    """One species of a couple: its modes, and how it is kept.

    `loss` (1/s) is a first-order decay of everything that the species has spread: a following reaction, stirring.
    `stays` marks an amount bound to the electrode, integrated at rate zero.
    """

    modes: Modes
    loss: float = 0.0
    stays: bool = False


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
    ends: list[tuple[float, float, float, float, float, float]]
    mean: list[tuple[float, float, float]]


class Memory:
    """The modes of all couples in one vector, and the coefficients for stepping it."""

    def __init__(self, couples: Sequence[tuple[Track, Track]]) -> None:
        """Each couple's O and R; O gains from the couple's flux what R loses."""
        rates: list[Floats] = []
        owner: list[int] = []
        stored: list[NDArray[np.bool_]] = []
        rows: list[tuple[int, Floats]] = []
        for flux, pair in enumerate(couples):
            known: dict[bytes, int] = {}
            for track, sign in zip(pair, (1.0, -1.0), strict=True):
                decay = track.modes.rates + track.loss
                key = decay.tobytes() + bytes([track.stays])
                if key not in known:  # species of like rates share their memory
                    known[key] = len(owner)
                    rates.append(decay)
                    owner += [flux] * len(decay)
                    stored.append((track.modes.rates == 0) & track.stays)
                rows.append((known[key], sign * track.modes.weights))
        self.rates: Floats = np.concatenate([np.zeros(0), *rates])
        self.weights = np.zeros((len(rows), len(owner)))
        for row, (start, share) in enumerate(rows):
            self.weights[row, start : start + len(share)] = share
        self.immediate = np.array(
            [s * t.modes.immediate for pair in couples for s, t in zip((1, -1), pair, strict=True)]
        )
        self._owner = np.array(owner, dtype=int)
        self._stored = np.concatenate([np.zeros(0, dtype=bool), *stored])
        self._stays = [any(track.stays for track in pair) for pair in couples]
        self._bound = any(self._stays)
        self._lines: dict[tuple[float, float, float], Step] = {}
        self._others: dict[Shape, dict[tuple[float, float, float], Step]] = {shape: {} for shape in Shape}

    def empty(self) -> Floats:
        return np.zeros(len(self.rates))

    def step(self, shape: Shape, span: float, since: float, previous: float) -> Step:
        """Coefficients for a step of `span` s that begins `since` s after the jump; `previous` is the step before."""
        if shape is not Shape.ROOT:
            since = 0.0
        if not self._bound or shape is Shape.BURST or shape is Shape.LEVEL:
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
        fluxes = len(self._stays)
        decay = np.exp(-self.rates * span)
        at0, at1 = _loads(shape, self.rates, decay, span, since)
        before = np.zeros_like(at0)
        ratio = span / previous if previous else 0.0
        lead, lag = (1 + ratio) / (1 + 2 * ratio), ratio / (1 + 2 * ratio)
        at0[self._stored], at1[self._stored], before[self._stored] = 0.0, span * lead, span * lag
        load = np.zeros((len(decay), 3 * fluxes))
        modes = np.arange(len(decay))
        for block, part in enumerate((at0, at1, before)):
            load[modes, block * fluxes + self._owner] = part
        ends = np.stack([self.weights @ at0, self.weights @ at1 + self.immediate, self.weights @ before], axis=1)
        line0, line1 = (float(part[0]) / span for part in _loads(shape, np.zeros(1), np.ones(1), span, since))
        return Step(
            decay=decay,
            load=load,
            recall=self.weights * decay,
            ends=[tuple(row) for row in ends.reshape(fluxes, 6).tolist()],
            mean=[(0.0, lead, lag) if stays else (line0, line1, 0.0) for stays in self._stays],
        )


def _loads(shape: Shape, rates: Floats, decay: Floats, span: float, since: float) -> tuple[Floats, Floats]:
    """What one unit of j0 and of j1 leaves in modes of these rates at the end of the step."""
    z = rates * span
    level = span * _phi1(z)
    if shape is Shape.LEVEL:
        return np.zeros_like(level), level
    if shape is Shape.LINE:
        end = span * _phi2(z)
        return level - end, end
    start, stop = np.sqrt(since), np.sqrt(since + span)
    slow = np.sqrt(rates)
    safe = np.where(slow > 0, slow, 1.0)
    burst = np.where(
        z + rates * since > 1e-12, 2 / safe * (dawsn(slow * stop) - decay * dawsn(slow * start)), 2 * (stop - start)
    )  # integral of exp(-rate (stop^2 - t)) / sqrt(t)
    if shape is Shape.BURST:
        return np.zeros_like(burst), burst * stop
    at0 = (burst - level / stop) / (1 / start - 1 / stop)
    return at0, level - at0


def _phi1(z: Floats) -> Floats:
    """(1 - exp(-z)) / z."""
    return np.where(z > 1e-8, -np.expm1(-z) / np.maximum(z, 1e-8), 1 - z / 2)


def _phi2(z: Floats) -> Floats:
    """(z - 1 + exp(-z)) / z^2: the share of the end value under a straight line."""
    small = np.minimum(z, 0.1)
    series = 1 / 2 - small / 6 * (1 - small / 4 * (1 - small / 5 * (1 - small / 6 * (1 - small / 7 * (1 - small / 8)))))
    large = np.maximum(z, 0.1)
    return np.where(z > 0.1, (large + np.expm1(-large)) / large**2, series)
