"""What is read off one peak above its baseline, in the frame of detection (scan order, peak upwards)."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.baseline import Frame, Site, Under
from luggin.daemon.analysis.top import fit_top

PLATEAU: Final = 4  # points of the same current that make a top flat
_SECH: Final = 2 * float(np.arccosh(2**0.5))  # sech(_SECH x)^2 has unit half-width


@dataclass(frozen=True)
class Reading:
    """x, u_x: place of the top and its standard uncertainty, V; height, u_height: A; area: A V.

    front, back: places of half height in scan order, None where the curve doesn't come down so far; first, last:
    grid indices between which the area is taken; breadth: half-width (V) that the curvature suggests; shoulder:
    the curve has no top of its own there; plateau: several points of exactly the same current make the top.
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
    breadth: float
    shoulder: bool
    plateau: bool


def read(frame: Frame, site: Site, under: Under, low: int, high: int, exact: bool = False) -> Reading | None:
    """Measure the peak at `site` between the indices `low` and `high` (its neighbours' valleys or the ends).

    None if nothing rises above the baseline there. `exact`: at the very site, as for a shoulder.
    """
    smooth = frame.smooth - under.current
    shoulder, level = True, under.current
    if under.own_top and not exact:
        top, shoulder = _summit(frame.smooth, site, low, high)
        level = np.full(frame.x.size, under.current[top])
    if shoulder:
        (top, shoulder), level = _summit(smooth, site, low, high), under.current
    if shoulder or exact:
        top, shoulder = round(site.at), True
    if not smooth[top] > 0:
        return None
    first, last = _extent(smooth, top, max(low, under.first), min(high, under.last))
    x, u_x, height, u_top = fit_top(frame, level, top, first, last, site, shoulder)
    height += float(np.interp(x, frame.x, level) - np.interp(x, frame.x, under.current))
    if shoulder:
        # Its place is that of the strongest bend: known to a fraction of the width of the bend at best.
        u_x = 0.05 * (site.left + site.right) * frame.step
    if not height > 0:
        return None
    level_points = _level_run(frame.y, top)
    if level_points >= PLATEAU:
        u_x = float(np.hypot(u_x, level_points * frame.step / 12**0.5))
    front, back = (_crossing(frame.x, smooth, top, end, height / 2) for end in (first, last))
    u_base = float(np.interp(x, frame.x, under.uncertainty))
    part = slice(first, last + 1)
    area = float(np.trapezoid(frame.y[part] - under.current[part], dx=frame.step))
    u_height = float(np.hypot(u_top, u_base))
    breadth = (site.left + site.right) / 2 * frame.step
    return Reading(x, u_x, height, u_height, area, front, back, first, last, breadth, shoulder, level_points >= PLATEAU)


def _level_run(y: Floats, top: int) -> int:
    """Number of points in a row of exactly the highest current near an index."""
    start = max(top - PLATEAU, 0)
    top = start + int(np.argmax(y[start : top + PLATEAU + 1]))
    other = np.flatnonzero(y != y[top])
    place = int(np.searchsorted(other, top))
    before = int(other[place - 1]) if place > 0 else -1
    after = int(other[place]) if place < other.size else y.size
    return after - before - 1


def with_overlap(reading: Reading, neighbours: list[Reading]) -> Reading:
    """Uncertainties widened by what neighbours that overlap add to height and place.

    Neighbours are taken for sech-squared, whose tails are those of a reversible couple; what they add is a guess
    of the right size only and counts as one standard uncertainty.
    """
    own = _breadth(reading, reading.x)
    added, moved = 0.0, 0.0
    for other in neighbours:
        width = _breadth(other, reading.x)
        distance = (other.x - reading.x) * _SECH / width
        tail = float(other.height / np.cosh(min(abs(distance), 300.0)) ** 2)
        added += tail
        moved += tail * float(np.tanh(distance)) * own**2 / (width * _SECH * reading.height)
    return replace(
        reading,
        u_x=float(np.hypot(reading.u_x, moved)),
        u_height=float(np.hypot(reading.u_height, added)),
    )


def _breadth(reading: Reading, away_from: float) -> float:
    """Half-width from one flank: the one that looks away from a neighbour, which cuts the other short."""
    flanks = [(reading.front, -1), (reading.back, 1)]
    flanks.sort(key=lambda f: f[1] * (away_from - reading.x))
    halves = [2 * abs(reading.x - place) for place, _ in flanks if place is not None]
    return halves[0] if halves and halves[0] > 0 else reading.breadth


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
