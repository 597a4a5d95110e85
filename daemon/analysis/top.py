"""Place and height of the top of a peak, from a polynomial through the points around it."""

import math
from typing import Final, NamedTuple

import numpy as np

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.baseline import Frame, Site

REACHES: Final = (0.43, 0.3, 0.2)  # half-widths to either side that a top is fitted over; 0.43 is down to 60 %
MISFIT: Final = 1.3  # residuals so many times the noise ask for a shorter stretch
_GRID: Final = 33
_NEWTON: Final = 4
STRAIN: Final = 2.0  # t-value from which the terms beyond the parabola count


class Top(NamedTuple):
    """Place (V) and height (A) of a top with their standard uncertainties."""

    x: float
    u_x: float
    height: float
    u_height: float


def fit_top(frame: Frame, base: Floats, top: int, first: int, last: int, site: Site, shoulder: bool) -> Top:
    """The top above `base` near the index `top` between `first` and `last`; for a shoulder the curve at the site.

    The place of a parabola if nothing speaks against it, else of a quartic, and the height of the quartic, over a
    shorter stretch if it doesn't fit the longer.
    """
    for reach in REACHES[-1:] if shoulder else REACHES:
        start = max(first, top - max(int(reach * site.left), 1))
        stop = min(last, top + max(int(np.ceil(reach * site.right)), 1))
        index = np.arange(start, stop + 1)
        index = index[frame.measured[index]]
        if index.size < 4:
            break
        half = max(stop - top, top - start)
        values = frame.y[index] - base[index]
        at = (site.at - top) / half if shoulder else None
        fit = _fit((index - top) / half, values, frame.noise, at)
        if fit is not None and (fit.misfit <= MISFIT or reach == REACHES[-1]):
            scale = half * frame.step
            return Top(float(frame.x[top]) + fit.at * scale, scale * fit.u_at, fit.height, fit.u_height)
    return _three_points(frame, base, top)


class _Fit(NamedTuple):
    """Maximum of a polynomial, places in units of t; misfit: residual over noise."""

    at: float
    u_at: float
    height: float
    u_height: float
    misfit: float


class _Solved(NamedTuple):
    """Coefficients in ascending order, inverse of the normal matrix, and standard deviation of a point."""

    c: Floats
    inverse: Floats
    spread: float


def _fit(t: Floats, values: Floats, noise: float, at: float | None) -> _Fit | None:
    """Maximum of the simplest polynomial that does, or its value `at` a given place; None without a maximum."""
    powers = np.vander(t, 5 if t.size >= 9 else 3, increasing=True)
    simple = _solve(powers[:, :3], values)
    place = _parabola_top(simple.c) if at is None else at
    if powers.shape[1] == 3:
        return None if place is None else _evaluate(simple, place, noise)
    full = _solve(powers, values)
    sigma = max(noise, full.spread)
    strain = max(abs(float(full.c[k])) / (sigma * float(full.inverse[k, k]) ** 0.5) for k in (3, 4))
    if strain < STRAIN and place is not None and abs(place) <= 1:
        short, flexible = _evaluate(simple, place, noise), _evaluate(full, place, noise)
        # The height is the quartic's whether noise hides its terms or not: a parabola cuts a top by up to 2 %, and a
        # share that changes with the height of the peak over its noise would bend every calibration.  The place is
        # the parabola's, which could still hide a skew of about the uncertainty of the quartic.
        return flexible._replace(u_at=math.hypot(short.u_at, flexible.u_at / 2))
    place = _quartic_top(full.c, float(t[0]), float(t[-1])) if at is None else at
    return None if place is None else _evaluate(full, place, noise)


def _solve(powers: Floats, values: Floats) -> _Solved:
    inverse: Floats = np.linalg.inv(powers.T @ powers).astype(np.float64, copy=False)
    c = inverse @ (powers.T @ values)
    rest = values - powers @ c
    return _Solved(c, inverse, float(rest @ rest / max(values.size - c.size, 1)) ** 0.5)


def _evaluate(solved: _Solved, at: float, noise: float) -> _Fit:
    c, inverse, spread = solved
    sigma = max(noise, spread)
    value = at ** np.arange(c.size)
    slope = np.zeros(c.size)
    slope[1:] = np.arange(1, c.size) * value[:-1]
    bend = abs(sum(k * (k - 1) * float(c[k]) * at ** (k - 2) for k in range(2, c.size)))
    u_slope = sigma * float(slope @ inverse @ slope) ** 0.5
    u_height = sigma * float(value @ inverse @ value) ** 0.5
    # Flatter than its uncertainty: anywhere within the stretch.
    u_at = u_slope / bend if bend > u_slope else 1.0
    return _Fit(at, u_at, float(value @ c), u_height, spread / noise)


def _parabola_top(c: Floats) -> float | None:
    return float(-c[1] / (2 * c[2])) if c[2] < 0 else None


def _quartic_top(c: Floats, low: float, high: float) -> float | None:
    """The highest maximum within the fitted stretch: seen on a grid, then by Newton's method on the slope."""
    grid = np.linspace(low, high, _GRID)
    a0, a1, a2, a3, a4 = c.tolist()
    values = a0 + grid * (a1 + grid * (a2 + grid * (a3 + grid * a4)))
    inner = values[1:-1]
    tops = ((inner >= values[:-2]) & (inner > values[2:])).nonzero()[0]
    if not tops.size:
        return None
    at = float(grid[1 + tops[inner[tops].argmax()]])
    left, right = at - (high - low) / (_GRID - 1), at + (high - low) / (_GRID - 1)
    for _ in range(_NEWTON):
        slope = a1 + at * (2 * a2 + at * (3 * a3 + at * 4 * a4))
        bend = 2 * a2 + at * (6 * a3 + at * 12 * a4)
        if bend >= 0:
            break
        at = min(max(at - slope / bend, left), right)
    return at


def _three_points(frame: Frame, base: Floats, top: int) -> Top:
    """A parabola through the top and its neighbours, where there are too few points for more."""
    if 0 < top < frame.x.size - 1:
        a, b, c = frame.y[top - 1 : top + 2] - base[top - 1 : top + 2]
        bend = a - 2 * b + c
        if bend < 0:
            shift = float(np.clip(0.5 * (a - c) / bend, -1, 1))
            u_x = frame.step * min(frame.noise / 2**0.5 / abs(float(bend)), 1.0)
            height = float(b - 0.25 * (a - c) * shift)
            return Top(float(frame.x[top]) + shift * frame.step, u_x, height, frame.noise)
    return Top(float(frame.x[top]), frame.step, float(frame.y[top] - base[top]), frame.noise)
