"""What is read off one peak above its baseline, in the frame of detection (scan order, peak upwards)."""

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.baseline import Frame, Site, Under

REACHES: Final = (0.43, 0.3, 0.2)  # half-widths to either side that a top is fitted over; 0.43 is down to 60 %
SHOULDER_REACHES: Final = (0.2,)
_GAUSSIAN: Final = 8 * float(np.log(2))  # curvature of a Gaussian of unit height and half-width at its top


@dataclass(frozen=True)
class Reading:
    """x, u_x: place of the top and its standard uncertainty, V; height, u_height: A; area: A V.

    front, back: places of half height in scan order, None where the curve doesn't come down so far; first, last:
    grid indices between which the area is taken; shoulder: the curve has no top of its own there.
    """

    x: float
    u_x: float
    height: float
    u_height: float
    area: float
    front: float | None
    back: float | None
    first: int
    last: int
    shoulder: bool


def read(frame: Frame, site: Site, under: Under, low: int, high: int, exact: bool = False) -> Reading | None:
    """Measure the peak at `site` between the indices `low` and `high` (its neighbours' valleys or the ends).

    None if nothing rises above the baseline there. `exact`: at the very site, as for a shoulder.
    """
    smooth = frame.smooth - under.current
    top, shoulder = _summit(smooth, site, low, high)
    shoulder |= exact
    if shoulder:
        top = round(site.at)
    if not smooth[top] > 0:
        return None
    first, last = _extent(smooth, top, max(low, under.first), min(high, under.last))
    x, u_x, height, u_top = _fit_top(frame, under, top, first, last, site, shoulder)
    if shoulder:
        # Its place is that of the strongest bend: known to a fraction of the width of the bend at best.
        u_x = 0.05 * (site.left + site.right) * frame.step
    if not height > 0:
        return None
    front, back = (_crossing(frame.x, smooth, top, end, height / 2) for end in (first, last))
    u_base = float(np.interp(x, frame.x, under.uncertainty))
    part = slice(first, last + 1)
    area = float(np.trapezoid(frame.y[part] - under.current[part], dx=frame.step))
    u_height = float(np.hypot(u_top, u_base))
    return Reading(x, u_x, height, u_height, area, front, back, first, last, shoulder)


def with_overlap(reading: Reading, site: Site, neighbours: list[tuple[Site, Reading]], step: float) -> Reading:
    """Uncertainties widened by what neighbours that overlap add to height and place.

    Neighbours are taken for Gaussian; what they add is known in size no better than to stand for a rectangular
    distribution (GUM 4.3.7).
    """
    bend = _GAUSSIAN * reading.height / ((site.left + site.right) / 2 * step) ** 2
    added, moved = 0.0, 0.0
    for other, theirs in neighbours:
        # The flank that faces this peak is cut short by it; the other one tells the width.
        width = max(other.left, other.right) * step
        distance = theirs.x - reading.x
        tail = theirs.height * float(np.exp(-_GAUSSIAN / 2 * (distance / width) ** 2))
        added += tail
        moved += tail * _GAUSSIAN * distance / width**2 / bend
    return replace(
        reading,
        u_x=float(np.hypot(reading.u_x, moved / 3**0.5)),
        u_height=float(np.hypot(reading.u_height, added / 3**0.5)),
    )


def _summit(smooth: Floats, site: Site, low: int, high: int) -> tuple[int, bool]:
    """Highest point near the site, and whether it is none: the curve goes on rising at the edge of the search."""
    start = max(int(site.at - 0.5 * site.left), low, 0)
    stop = min(int(np.ceil(site.at + 0.5 * site.right)), high, smooth.size - 1)
    top = start + int(np.argmax(smooth[start : stop + 1]))
    return top, top in (start, stop)


def _extent(smooth: Floats, top: int, low: int, high: int) -> tuple[int, int]:
    """From the top outwards to where the curve meets the baseline, at most to the limits."""
    before = np.flatnonzero(smooth[low:top] <= 0)
    after = np.flatnonzero(smooth[top + 1 : high + 1] <= 0)
    first = low + int(before[-1]) if before.size else min(low, top)
    last = top + 1 + int(after[0]) if after.size else max(high, top)
    return first, last


class Top(NamedTuple):
    """Place (V) and height (A) of a top with their standard uncertainties."""

    x: float
    u_x: float
    height: float
    u_height: float


def _fit_top(frame: Frame, under: Under, top: int, first: int, last: int, site: Site, shoulder: bool) -> Top:
    """The top from a polynomial through the points around it.

    A parabola if nothing speaks against it, else a quartic, over a shorter stretch if it doesn't fit the longer.
    """
    for reach in SHOULDER_REACHES if shoulder else REACHES:
        start = max(first, top - max(int(reach * site.left), 1))
        stop = min(last, top + max(int(np.ceil(reach * site.right)), 1))
        index = np.arange(start, stop + 1)
        index = index[frame.measured[index]]
        if index.size < 4:
            break
        half = max(stop - top, top - start)
        t = (index - top) / half
        values = frame.y[index] - under.current[index]
        at = (site.at - top) / half if shoulder else None
        simple = _polynomial_top(t, values, 2, frame.noise, at)
        full = _polynomial_top(t, values, 4, frame.noise, at) if index.size >= 9 else None
        best, allowance = full or simple, 0.0
        if full and simple and full.strain < 2:
            # The simple form could still hide a skew of this order.
            best, allowance = simple, 0.5
        if best is None:
            continue
        if best.misfit > 1.3 and reach != REACHES[-1] and not shoulder:
            continue
        scale = half * frame.step
        more = full or best
        return Top(
            float(frame.x[top]) + best.at * scale,
            scale * float(np.hypot(best.u_at, allowance * more.u_at)),
            best.height,
            float(np.hypot(best.u_height, allowance * more.u_height)),
        )
    return _three_points(frame, under, top)


class Fit(NamedTuple):
    """A polynomial's maximum: at, u_at in units of t; misfit: residual over noise; strain: largest t-value of the terms
    beyond the parabola.
    """

    at: float
    u_at: float
    height: float
    u_height: float
    misfit: float
    strain: float


def _polynomial_top(t: Floats, values: Floats, order: int, noise: float, at: float | None) -> Fit | None:
    """Least-squares polynomial and its maximum, or its value `at` a given place; None without a maximum."""
    k = np.arange(order + 1)
    powers = t[:, None] ** k
    inverse = np.linalg.inv(powers.T @ powers)
    c = inverse @ (powers.T @ values)
    rest = values - powers @ c
    spread = float(np.sqrt(rest @ rest / max(t.size - order - 1, 1)))
    sigma = max(noise, spread)
    strain = float(np.max(np.abs(c[3:]) / (sigma * np.sqrt(np.diag(inverse)[3:])), initial=0.0))
    place = _stationary(c, float(t[0]), float(t[-1])) if at is None else at
    if place is None:
        return None
    value = place**k
    slope = np.where(k > 0, k * place ** np.maximum(k - 1, 0), 0.0)
    bend = abs(float(np.where(k > 1, k * (k - 1) * place ** np.maximum(k - 2, 0), 0.0) @ c))
    u_at = sigma * float(np.sqrt(slope @ inverse @ slope)) / bend if bend > 0 else 1.0
    return Fit(
        place,
        min(u_at, 1.0),
        float(value @ c),
        sigma * float(np.sqrt(value @ inverse @ value)),
        spread / noise,
        strain,
    )


def _stationary(c: Floats, low: float, high: float) -> float | None:
    """The highest maximum of the polynomial within the fitted stretch."""
    k = np.arange(c.size)
    roots = np.roots((k * c)[:0:-1])
    real = roots[np.abs(roots.imag) < 1e-9].real
    real = real[(real > low) & (real < high)]
    if not real.size:
        return None
    values = (real[:, None] ** k) @ c
    return float(real[int(np.argmax(values))])


def _three_points(frame: Frame, under: Under, top: int) -> Top:
    """A parabola through the top and its neighbours, where there are too few points for more."""
    if 0 < top < frame.x.size - 1:
        a, b, c = frame.y[top - 1 : top + 2] - under.current[top - 1 : top + 2]
        bend = a - 2 * b + c
        if bend < 0:
            shift = float(np.clip(0.5 * (a - c) / bend, -1, 1))
            u_x = frame.step * min(frame.noise / 2**0.5 / abs(float(bend)), 1.0)
            height = float(b - 0.25 * (a - c) * shift)
            return Top(float(frame.x[top]) + shift * frame.step, u_x, height, frame.noise)
    return Top(float(frame.x[top]), frame.step, float(frame.y[top] - under.current[top]), frame.noise)


def _crossing(x: Floats, smooth: Floats, top: int, end: int, level: float) -> float | None:
    """First place from the top towards `end` where the curve falls to a level, interpolated."""
    side = smooth[top : end + 1] if end >= top else smooth[end : top + 1][::-1]
    below = np.flatnonzero(side <= level)
    if not below.size or below[0] == 0:
        return None
    k = int(below[0])
    share = (side[k - 1] - level) / (side[k - 1] - side[k])
    sign = 1 if end >= top else -1
    return float(x[top + sign * (k - 1)] + sign * share * (x[1] - x[0]))
