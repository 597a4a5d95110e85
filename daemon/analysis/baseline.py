"""Baselines under voltammetric peaks: straight, tangent, polynomial, asymmetric least squares.

Everything here works in the frame of detection: potentials in scan order (ascending) and currents turned so that
the peaks sought are positive.
"""

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from pybaselines import Baseline as Fitter

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.grid import Mask
from luggin.protocol.evaluation.peak_settings import (
    AsymmetricLeastSquares,
    BaselineSettings,
    Polynomial,
    Straight,
    Tangent,
)

REACH: Final = 2.0  # half-widths from the top within which a peak has its feet
FOOT: Final = 1.0  # half-widths from the top that a flank needs to come down to its foot
CUT_OFF: Final = "the curve ends on a flank of the peak: its height counts from there and is too low"
TANGENT_GAP: Final = 2.0  # half-widths from the top to the end of the stretch that a tangent is laid through
TANGENT_STRETCH: Final = 1.0  # length of that stretch, half-widths


@dataclass(frozen=True)
class Frame:
    """A sweep as detection sees it, all shapes (n,). `smooth` is `y` smoothed well below the width of the peaks."""

    x: Floats
    y: Floats
    smooth: Floats
    measured: Mask
    step: float
    noise: float


class Site(NamedTuple):
    """Where a peak stands and its half-widths on either side, in points."""

    at: float
    left: float
    right: float


@dataclass(frozen=True)
class Under:
    """The baseline of one peak: current (n,), its standard uncertainty (n,), and between which points it counts.

    nodes: indices that suffice to draw it; own_top: the peak potential is that of the highest current, as read off
    the curve, not that of the highest rise above the baseline.
    """

    current: Floats
    uncertainty: Floats
    first: int
    last: int
    nodes: tuple[int, ...]
    note: str | None = None
    own_top: bool = False


def straight(frame: Frame, sites: list[Site], anchors: tuple[int, int] | None) -> list[Under]:
    """A line for each peak: between the anchors if its top lies there; else peaks that don't come down to a line of
    their own share one.
    """
    n = frame.x.size
    result = []
    for group in _groups(sites):
        low = max(int(group[0].at - REACH * group[0].left), 0)
        high = min(int(np.ceil(group[-1].at + REACH * group[-1].right)), n - 1)
        for s in group:
            if anchors is not None and anchors[0] < s.at < anchors[1]:
                left, right = anchors
            else:
                left, right = _ruler(frame.smooth, low, round(s.at), high)
            line = _line(frame, left, right, 0.25 * min(s.left, s.right))
            # A ruler that touches the very end of the curve high up on a flank finds no foot there.
            cut = (left == 0 and s.at < FOOT * s.left) or (right == n - 1 and n - 1 - s.at < FOOT * s.right)
            result.append(replace(line, note=CUT_OFF) if cut else line)
    return result


def _groups(sites: list[Site]) -> list[list[Site]]:
    """Neighbours whose reaches overlap."""
    groups: list[list[Site]] = []
    for s in sites:
        if groups and s.at - groups[-1][-1].at < 0.8 * REACH * (groups[-1][-1].right + s.left):
            groups[-1].append(s)
        else:
            groups.append([s])
    return groups


def _ruler(y: Floats, low: int, top: int, high: int) -> tuple[int, int]:
    """Touching points of the line that supports y[low..high] from below and passes under `top`."""
    top = min(max(top, low + 1), high - 1)
    left, right = low, high
    t = np.arange(low, high + 1)
    for _ in range(high - low):
        above = y[low : high + 1] - (y[left] + (y[right] - y[left]) * (t - left) / (right - left))
        new_left = low + int(np.argmin(above[: top - low]))
        new_right = top + 1 + int(np.argmin(above[top + 1 - low :]))
        lowest = min(above[new_left - low], above[new_right - low])
        if lowest >= -1e-12 * float(np.ptp(y[low : high + 1])) or (new_left, new_right) == (left, right):
            break
        left, right = new_left, new_right
    return left, right


def _line(frame: Frame, left: int, right: int, spread: float) -> Under:
    """Line through the mean levels around two points of the curve."""
    (y_left, u_left), (y_right, u_right) = (_level(frame, k, spread) for k in (left, right))
    share = (np.arange(frame.x.size) - left) / (right - left)
    current: Floats = y_left + (y_right - y_left) * share
    uncertainty: Floats = np.hypot(u_left * (1 - share), u_right * share)
    return Under(current, uncertainty, left, right, (left, right))


def _level(frame: Frame, at: int, spread: float) -> tuple[float, float]:
    """Current of the curve at a point and its uncertainty, from a straight line through its surroundings."""
    part = slice(max(at - int(spread), 0), at + int(spread) + 1)
    y = frame.y[part]
    if y.size < 3:
        return float(frame.y[at]), frame.noise
    t = np.arange(part.start, part.start + y.size) - at
    centre = float(t.mean())
    sxx = float(np.sum((t - centre) ** 2))
    slope = float(np.sum((t - centre) * y)) / sxx
    return float(y.mean()) - slope * centre, frame.noise * (1 / y.size + centre**2 / sxx) ** 0.5


def tangent(frame: Frame, sites: list[Site], anchors: tuple[int, int] | None) -> list[Under]:
    """A line fitted ahead of each peak; it counts from there to the end of the sweep."""
    result = []
    for k, s in enumerate(sites):
        note = None
        if anchors is not None:
            start, stop = anchors
        else:
            floor = 0.0 if k == 0 else sites[k - 1].at + 0.8 * sites[k - 1].right
            stop_at = s.at - TANGENT_GAP * s.left
            start_at = max(stop_at - TANGENT_STRETCH * s.left, floor)
            if stop_at - start_at < 0.4 * s.left:
                start_at = min(floor, s.at - 0.9 * s.left)
                stop_at = max(start_at + 0.4 * s.left, stop_at)
                note = "no clear stretch of baseline ahead of the peak"
            start, stop = max(int(start_at), 0), int(np.ceil(stop_at))
        start, stop = _at_least(start, stop, 4, frame.x.size)
        end = frame.x.size - 1 if anchors is not None else min(int(s.at + 2 * REACH * s.right), frame.x.size - 1)
        result.append(_fitted(frame, start, stop, end, note))
    return result


def _at_least(start: int, stop: int, count: int, size: int) -> tuple[int, int]:
    stop = min(max(stop, start + count - 1), size - 1)
    return max(min(start, stop - count + 1), 0), stop


def _fitted(frame: Frame, start: int, stop: int, end: int, note: str | None) -> Under:
    part = slice(start, stop + 1)
    t = np.arange(frame.x.size, dtype=np.float64) - (start + stop) / 2
    near = t[part]
    sxx = float(np.sum(near**2))
    slope = float(np.sum(near * frame.y[part])) / sxx
    mean = float(frame.y[part].mean())
    rest = frame.y[part] - mean - slope * near
    sigma = max(frame.noise, float(np.sqrt(np.sum(rest**2) / max(near.size - 2, 1))))
    uncertainty: Floats = sigma * np.sqrt(1 / near.size + t**2 / sxx)
    line: Floats = mean + slope * t
    return Under(line, uncertainty, stop, end, (start, end), note, own_top=True)


def polynomial(frame: Frame, sites: list[Site], order: int) -> list[Under]:
    """One polynomial under all peaks, weighted to what lies outside of them."""
    inside = np.zeros(frame.x.size, dtype=bool)
    for s in sites:
        inside[max(int(s.at - 1.4 * s.left), 0) : int(s.at + 1.4 * s.right) + 1] = True
    outside = ~inside & frame.measured
    fitter = Fitter(np.linspace(-1, 1, frame.x.size), check_finite=False)
    if np.count_nonzero(outside) >= 3 * (order + 1):
        weights: Floats = outside.astype(np.float64)
        current, _ = fitter.poly(frame.y, poly_order=order, weights=weights)
        share, note = (order + 1) / int(np.count_nonzero(outside)), None
    else:
        # Peaks all over: let the fit find for itself what lies lowest.
        current, _ = fitter.modpoly(frame.y, poly_order=order)
        share, note = (order + 1) / frame.x.size, "too little of the curve lies outside the peaks"
    return _everywhere(frame, sites, current, share, note)


def asymmetric(frame: Frame, sites: list[Site], stiffness: float, asymmetry: float) -> list[Under]:
    """One smooth lower edge under all peaks."""
    # A penalty lam on second differences passes waves of L points by half when lam = (L / 2 pi)^4.
    points = max(stiffness / frame.step, 2 * np.pi)
    current, _ = Fitter(check_finite=False).asls(frame.y, lam=(points / (2 * np.pi)) ** 4, p=asymmetry)
    return _everywhere(frame, sites, current, min(4 / points, 1.0), None)


def _everywhere(frame: Frame, sites: list[Site], current: Floats, share: float, note: str | None) -> list[Under]:
    """One curve for all peaks; `share` is its variance as a fraction of that of a point."""
    uncertainty = np.full(frame.x.size, frame.noise * np.sqrt(share))
    result = []
    for s in sites:
        first = max(int(s.at - REACH * s.left), 0)
        last = min(int(np.ceil(s.at + REACH * s.right)), frame.x.size - 1)
        nodes = tuple(np.unique(np.linspace(first, last, 17).round().astype(int)).tolist())
        result.append(Under(current, uncertainty, first, last, nodes, note))
    return result


def baselines(
    frame: Frame, sites: list[Site], settings: BaselineSettings, anchors: tuple[int, int] | None
) -> list[Under]:
    """The baseline of each peak; `anchors` as indices in ascending order, where the settings have any."""
    match settings:
        case Straight():
            return straight(frame, sites, anchors)
        case Tangent():
            return tangent(frame, sites, anchors)
        case Polynomial():
            return polynomial(frame, sites, settings.order)
        case AsymmetricLeastSquares():
            return asymmetric(frame, sites, settings.stiffness, settings.asymmetry)
