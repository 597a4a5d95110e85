"""Where peaks are: runs of significant downward curvature that the curve comes down from on both sides.

The second derivative is blind to offset and slope of the baseline and shows a shoulder as plainly as a free peak.
It is taken at several scales (Gaussian derivative filters, octaves apart); what a fine scale resolves stands,
coarser ones add broad peaks that drown in noise at the fine scale. A wave (S-shaped curve) has the downward
curvature but its slope never undershoots: that tells it from a peak.
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.smoothing import extend

SIGMAS_PER_HALF_WIDTH: Final = 2.3548  # of a Gaussian
UNDERSHOOT: Final = 0.12  # least share of the swing of the slope that it must come back by on either side
FALL: Final = 0.25  # share of that swing by which the slope changes sign if one foot is missing
LOPSIDED: Final = 2.5  # most that one flank may be wider than the other; a plateau before a rise is more so
# The feet of a Gaussian bend the other way by 0.45 of its top, at 1.7 sigma from it; those of two peaks add up.
LOBE: Final = 0.6
LOBE_REACH: Final = 3.2
UNDERSHOOT_NOISE: Final = 4.0  # and least number of its standard deviations


@dataclass(frozen=True)
class Candidate:
    """A peak before it is measured, in grid points: `at`, and `left`, `right` from there to the points of inflexion.

    sign: +1 for a maximum, -1 for a minimum; scale: standard deviation of the filter that found it.
    """

    sign: Literal[-1, 1]

    at: float
    left: float
    right: float
    scale: float

    @property
    def sigma(self) -> float:
        return (self.left + self.right) / 2


@dataclass(frozen=True)
class Kernel:
    """Filters for the first and second derivative per point, and their gain for white noise."""

    first: Floats
    second: Floats
    first_gain: float
    second_gain: float


@dataclass(frozen=True)
class Layer:
    """Derivatives at one scale; slope and curvature have the shape of the curve."""

    scale: float
    slope: Floats
    curvature: Floats
    slope_noise: float
    curvature_noise: float


@lru_cache(maxsize=64)
def kernel(scale: float) -> Kernel:
    half = int(np.ceil(4 * scale))
    t = np.arange(-half, half + 1, dtype=np.float64)
    bell = np.exp(-(t**2) / (2 * scale**2))
    first = t * bell
    first /= np.sum(first * t)
    second = (t**2 / scale**2 - 1) * bell
    second -= bell * second.sum() / bell.sum()
    second *= 2 / np.sum(second * t**2)
    # np.convolve turns its kernel round, which changes the sign of the odd one.
    return Kernel(first[::-1], second, float(np.linalg.norm(first)), float(np.linalg.norm(second)))


def layers(y: Floats, noise: float, narrowest: float, widest: float) -> list[Layer]:
    """Derivatives at octaves of scale for half-widths from `narrowest` to `widest` points."""
    scale = max(0.5 * narrowest / SIGMAS_PER_HALF_WIDTH, 1.0)
    scales = []
    while scale <= max(0.6 * widest / SIGMAS_PER_HALF_WIDTH, 1.0) and 8 * scale < y.size:
        scales.append(round(scale, 2))
        scale *= 2
    if not scales:
        return []
    most = kernel(scales[-1]).first.size // 2
    padded = extend(y, most)
    found = []
    for scale in scales:
        k = kernel(scale)
        by = most - k.first.size // 2
        part = padded[by : padded.size - by]
        slope, curvature = np.convolve(part, k.first, "valid"), np.convolve(part, k.second, "valid")
        found.append(Layer(scale, slope, curvature, noise * k.first_gain, noise * k.second_gain))
    return found


def candidates(
    stack: list[Layer], signs: tuple[Literal[-1, 1], ...], threshold: float, narrowest: float
) -> list[Candidate]:
    """Peaks of the wanted signs in order of position; `threshold` in standard deviations of the curvature."""
    found = [c for sign in signs for c in _of_sign(stack, sign, threshold, narrowest)]
    if len(signs) == 1 and found:
        found += _of_sign(stack, -1 if signs[0] == 1 else 1, threshold, narrowest)
    at_scale = {layer.scale: layer for layer in stack}
    while found:
        standing = [_standing(c, found, at_scale[c.scale]) for c in found]
        least = int(np.argmin(standing))
        if standing[least] >= LOBE:
            break
        found.pop(least)
    return sorted((c for c in found if c.sign in signs), key=lambda c: c.at)


def _standing(c: Candidate, among: list[Candidate], layer: Layer) -> float:
    """Curvature over that of the peaks of the other sign which lie next to it, all seen at the same scale.

    What is only the foot of other peaks has a low one, and goes first.
    """
    around = 0.0
    for o in among:
        flank = o.left if c.at < o.at else o.right
        if o.sign != c.sign and abs(o.at - c.at) < LOBE_REACH * float(np.hypot(flank, layer.scale)):
            around += abs(float(layer.curvature[round(o.at)]))
    return abs(float(layer.curvature[round(c.at)])) / around if around > 0 else np.inf


def _of_sign(stack: list[Layer], sign: Literal[-1, 1], threshold: float, narrowest: float) -> list[Candidate]:
    accepted: list[Candidate] = []
    for layer in stack:
        fresh = []
        for run in _runs(layer, sign, threshold):
            inside = [k for k, c in enumerate(accepted) if run.at - run.left <= c.at <= run.at + run.right]
            if not inside:
                fresh.append(run)
            elif len(inside) == 1 and layer.scale <= accepted[inside[0]].sigma:
                # The same peak with less noise; a wide filter would draw its place towards a neighbour.
                old = accepted[inside[0]]
                place = run.at if 2 * layer.scale <= old.sigma else old.at
                accepted[inside[0]] = replace(run, at=place)
        # A bump whose reach covers a peak already found is that peak and its neighbour run together.
        accepted += [f for f in fresh if all(abs(f.at - c.at) > c.sigma for c in accepted)]
    wide_enough = 0.4 * narrowest / SIGMAS_PER_HALF_WIDTH
    return [c for c in accepted if c.sigma >= wide_enough]


def _runs(layer: Layer, sign: Literal[-1, 1], threshold: float) -> list[Candidate]:
    bent = -sign * layer.curvature / layer.curvature_noise
    slope = sign * layer.slope
    edge = round(layer.scale)
    up = bent > 0
    # Where a run begins and where it has ended, in turn; what the curve cuts off is none.
    edges = (up[1:] != up[:-1]).nonzero()[0][1 if up[0] else 0 :] + 1
    edges = edges[: edges.size // 2 * 2]
    if not edges.size:
        return []
    highest = np.maximum.reduceat(bent, edges)[::2]
    found = []
    for run in (highest >= threshold).nonzero()[0].tolist():
        start, stop = int(edges[2 * run]), int(edges[2 * run + 1])
        peak = start + int(bent[start:stop].argmax())
        left, right = peak - start + 0.5, stop - 0.5 - peak
        flanks = _true(left, layer.scale), _true(right, layer.scale)
        if max(flanks) > LOPSIDED * min(flanks):
            continue
        steepest, lowest = float(slope[start - 1 : peak + 1].max()), float(slope[peak : stop + 1].min())
        swing = steepest - lowest
        # The foot follows at once on either side. At the very ends the filter has half of its points only.
        reach = 2 * min(left, right)
        behind = slope[max(int(start - reach), edge) : start]
        ahead = slope[stop : min(int(stop + reach) + 1, bent.size - edge)]
        least = max(UNDERSHOOT * swing, UNDERSHOOT_NOISE * layer.slope_noise)
        feet = (
            behind.size > 0 and steepest - float(behind.min()) >= least,
            ahead.size > 0 and float(ahead.max()) - lowest >= least,
        )
        # A sweep that ends on one flank shows no foot there; it must fall all the more.
        falls = min(steepest, -lowest) >= max(FALL * swing, UNDERSHOOT_NOISE * layer.slope_noise)
        if not (all(feet) or (any(feet) and falls)):
            continue
        found.append(Candidate(sign, _vertex(bent, peak), *flanks, layer.scale))
    return found


def _true(sigma: float, scale: float) -> float:
    """Flank before the filter widened it."""
    return math.sqrt(max(sigma**2 - scale**2, 0.09 * sigma**2))


def _vertex(y: Floats, at: int) -> float:
    """Top of the parabola through three points, in points."""
    if not 0 < at < y.size - 1:
        return float(at)
    a, b, c = y[at - 1 : at + 2]
    bend = a - 2 * b + c
    return float(at + 0.5 * (a - c) / bend) if bend < 0 else float(at)
