"""Peaks of one sweep, found automatically. No curve is an error: "no peak found" is an answer."""

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.detection import SIGMAS_PER_HALF_WIDTH, Candidate, candidates, layers
from luggin.daemon.analysis.grid import Grid, Unfit, prepare
from luggin.daemon.analysis.peak_building import Sign, measured_peaks
from luggin.daemon.analysis.peak_models import PeakResult
from luggin.protocol.evaluation.peak_results import Peak
from luggin.protocol.evaluation.peak_settings import PeakSettings

DEFAULT_SETTINGS = PeakSettings()


def detect(
    potential: ArrayLike,
    current: ArrayLike,
    *,
    time: ArrayLike | None = None,
    usable: ArrayLike | None = None,
    settings: PeakSettings = DEFAULT_SETTINGS,
) -> PeakResult:
    """Find and measure the peaks of one sweep.

    potential (V), current (A, anodic positive), time (s): shape (n,), in the order measured, rising or falling;
    usable: False for points to ignore (blanked, overloaded). Points that are not finite are ignored, equal
    potentials averaged. With `time` each peak gets its charge, which means something for a linear sweep only.
    Any content gives a result; AnalysisError only for columns of unequal length.
    """
    grid = prepare(potential, current, time, usable, settings.minimum_half_width)
    if isinstance(grid, Unfit):
        return PeakResult(
            settings=settings,
            peaks=(),
            direction=0,
            noise=None,
            scan_rate=None,
            points_used=grid.used,
            points_ignored=grid.ignored,
            notes=(f"no peak found: {grid.reason}",),
        )
    narrowest, widest = settings.minimum_half_width / grid.step, settings.maximum_half_width / grid.step
    stack = layers(grid.y, grid.noise, narrowest, widest)
    notes: list[str] = []
    peaks: list[Peak] = []
    signs = _signs(settings, grid)
    found = [
        c
        for c in candidates(stack, signs, settings.significance, narrowest)
        if c.sigma * SIGMAS_PER_HALF_WIDTH <= 1.2 * widest and _seen(grid, c, notes)
    ]
    for sign in signs:
        peaks += measured_peaks(grid, sign, [c for c in found if c.sign == sign], settings, notes)
    peaks = _selected(peaks, settings)
    if not peaks:
        notes.append("no peak found")
    return _result(grid, settings, peaks, notes)


def _signs(settings: PeakSettings, grid: Grid) -> tuple[Sign, ...]:
    match settings.polarity:
        case "anodic":
            return (1,)
        case "cathodic":
            return (-1,)
        case "both":
            return (1, -1)
        case _:
            return (1,) if grid.direction > 0 else (-1,)


def _seen(grid: Grid, c: Candidate, notes: list[str]) -> bool:
    """Whether the top was measured; a top that lies in ignored points is not made up."""
    near = max(int(0.3 * c.sigma), 1)
    middle = round(c.at)
    if grid.measured[max(middle - near, 0) : middle + near + 1].any():
        return True
    at = grid.direction * (grid.x[0] + c.at * grid.step)
    notes.append(f"a peak near {at:.4g} V is not measured: its top lies in ignored points")
    return False


def _selected(peaks: list[Peak], settings: PeakSettings) -> list[Peak]:
    """Peaks that are high and wide enough and lie where they are sought."""
    highest = max((abs(p.height) for p in peaks), default=0.0)
    least = max(settings.minimum_height, settings.minimum_relative_height * highest)
    low, high = sorted(settings.search) if settings.search else (-np.inf, np.inf)
    kept = [
        p
        for p in peaks
        if abs(p.height) >= least
        and (p.half_width is None or p.half_width >= settings.minimum_half_width / 2)
        and (p.overlapped or abs(p.height) >= 2 * p.u_height)
        and low <= p.potential <= high
    ]
    return sorted(kept, key=lambda p: p.potential)


def _result(grid: Grid, settings: PeakSettings, peaks: list[Peak], notes: list[str]) -> PeakResult:
    return PeakResult(
        settings=settings,
        peaks=tuple(peaks),
        direction=1 if grid.direction > 0 else -1,
        noise=grid.noise,
        scan_rate=grid.scan_rate,
        points_used=grid.used,
        points_ignored=grid.ignored,
        notes=tuple(notes),
    )
