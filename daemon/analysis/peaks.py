"""Peaks of one sweep: found automatically, set or removed by hand. No curve is an error."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.baseline import (
    AsymmetricLeastSquares,
    BaselineSettings,
    Frame,
    Polynomial,
    Site,
    Straight,
    Under,
    baselines,
)
from luggin.daemon.analysis.detection import SIGMAS_PER_HALF_WIDTH, Candidate, candidates, layers
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.grid import Grid, Unfit, prepare
from luggin.daemon.analysis.measure import Reading, read, with_overlap
from luggin.daemon.analysis.peak_models import (
    HandEdit,
    Peak,
    PeakBaseline,
    PeakResult,
    PeakSettings,
)
from luggin.daemon.analysis.resolve import resolve
from luggin.daemon.analysis.smoothing import Smoothing, gentle, savitzky_golay

Sign = Literal[-1, 1]
DEFAULT_SETTINGS = PeakSettings()
VALLEY = 0.05  # a valley this far up between two peaks makes them overlapped
LARGEST_GROUP = 6  # more overlapping peaks are not resolved at once: the fit would not be determined

Found = tuple[Under, Reading, bool]  # baseline, reading, overlapped


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
        peaks += _measured(grid, sign, [c for c in found if c.sign == sign], settings, notes)
    peaks = _selected(peaks, settings)
    if not peaks:
        notes.append("no peak found")
    return _result(grid, settings, peaks, notes)


def set_peak(
    result: PeakResult,
    potential: ArrayLike,
    current: ArrayLike,
    *,
    at: float,
    anchors: tuple[float, float],
    time: ArrayLike | None = None,
    usable: ArrayLike | None = None,
) -> PeakResult:
    """Add a peak by hand to the result of the same curve, on a straight line between the `anchors` (V).

    The top is sought within half the least half-width around `at`; where the curve has none, the peak is measured
    at `at` itself, as a shoulder. It replaces a peak that stands at the same place. AnalysisError if `at` doesn't lie
    between the anchors, or the anchors not within the curve, or the curve coincides with the line.
    """
    grid = prepare(potential, current, time, usable, result.settings.minimum_half_width)
    if isinstance(grid, Unfit):
        raise AnalysisError(f"No peak can be set here: {grid.reason}.")
    low, high = min(anchors), max(anchors)
    left, right = sorted((grid.index(low), grid.index(high)))
    ends = sorted((grid.direction * float(grid.x[0]), grid.direction * float(grid.x[-1])))
    if not ends[0] - grid.step <= low < at < high <= ends[1] + grid.step or right - left < 2:
        raise AnalysisError(
            f"at is {at:g} V with anchors at {low:g} and {high:g} V; it must lie between them, and they within the"
            f" curve, {ends[0]:g} to {ends[1]:g} V."
        )
    site = (grid.direction * at - float(grid.x[0])) / grid.step
    chord = np.interp(site, [left, right], grid.y[[left, right]])
    sign: Sign = 1 if float(np.interp(site, np.arange(grid.x.size), grid.y)) >= chord else -1
    half = result.settings.minimum_half_width / grid.step
    place = Site(site, half, half)
    frame = _frame(grid, sign, half, result.settings.smoothing)
    (under,) = baselines(frame, [place], Straight(anchors=(low, high)), (left, right))
    reading = read(frame, place, under, left, right)
    if reading is None:
        raise AnalysisError(f"The curve does not leave the line between the anchors at {at:g} V; move the anchors.")
    if reading.front is not None and reading.back is not None:
        width = (reading.back - reading.front) / grid.step
        wide = Site((reading.x - grid.x[0]) / grid.step, width, width)
        frame = _frame(grid, sign, width, result.settings.smoothing)
        reading = read(frame, wide, under, left, right, exact=reading.shoulder) or reading
    peak = _peak(grid, frame, sign, reading, under, "straight", False).model_copy(update={"by_hand": True})
    others = [p for p in result.peaks if abs(p.potential - peak.potential) > result.settings.minimum_half_width / 2]
    return result.model_copy(
        update={
            "peaks": tuple(sorted((*others, peak), key=lambda p: p.potential)),
            "edits": (*result.edits, HandEdit(action="set", potential=at, anchors=(low, high))),
        }
    )


def remove_peak(result: PeakResult, at: float) -> PeakResult:
    """Remove by hand the peak nearest to a potential (V). AnalysisError if the result has none."""
    if not result.peaks:
        raise AnalysisError("There is no peak to remove.")
    gone = min(result.peaks, key=lambda p: abs(p.potential - at))
    return result.model_copy(
        update={
            "peaks": tuple(p for p in result.peaks if p is not gone),
            "edits": (*result.edits, HandEdit(action="removed", potential=gone.potential)),
        }
    )


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


def _frame(grid: Grid, sign: int, half_width: float, smoothing: Smoothing | None) -> Frame:
    y = sign * grid.y
    if smoothing is not None:
        y = savitzky_golay(y, grid.step, smoothing)
    return Frame(grid.x, y, gentle(y, 0.35 * half_width), grid.measured, grid.step, grid.noise)


def _measured(
    grid: Grid, sign: Sign, found: Sequence[Candidate], settings: PeakSettings, notes: list[str]
) -> list[Peak]:
    if not found:
        return []
    sites = [Site(c.at, c.left * SIGMAS_PER_HALF_WIDTH, c.right * SIGMAS_PER_HALF_WIDTH) for c in found]
    frame = _frame(grid, sign, min((s.left + s.right) / 2 for s in sites), settings.smoothing)
    chosen = settings.baseline
    unders = baselines(frame, sites, chosen, _anchors(grid, chosen, notes))
    readings: list[Found] = []
    for k, (site, under) in enumerate(zip(sites, unders, strict=True)):
        low = 0 if k == 0 else _valley(frame, under, sites[k - 1], site)
        high = grid.x.size - 1 if k + 1 == len(sites) else _valley(frame, under, site, sites[k + 1])
        reading = read(frame, site, under, low, high)
        if reading is None:
            continue
        overlapped = any(
            inside
            and under.first < v < under.last
            and float(frame.smooth[v] - under.current[v]) > VALLEY * reading.height + grid.noise
            for inside, v in ((k > 0, low), (k + 1 < len(sites), high))
        )
        readings.append((under, reading, overlapped))
    if settings.overlap == "resolved":
        readings = _resolved(frame, readings, grid, notes)
    else:
        readings = [_allowed_for(readings, k) for k in range(len(readings))]
    for under, reading, _ in readings:
        if under.note:
            notes.append(f"{under.note} at {grid.direction * reading.x:.4g} V")
    return [_peak(grid, frame, sign, r, under, chosen.kind, overlapped) for under, r, overlapped in readings]


def _anchors(grid: Grid, chosen: BaselineSettings, notes: list[str]) -> tuple[int, int] | None:
    if isinstance(chosen, Polynomial | AsymmetricLeastSquares) or chosen.anchors is None:
        return None
    low, high = sorted(grid.index(e) for e in chosen.anchors)
    outside = any(abs(grid.direction * e - float(grid.x[grid.index(e)])) > grid.step for e in chosen.anchors)
    if outside or high - low < 2:
        a, b = chosen.anchors
        notes.append(
            f"the curve has no stretch between the anchors {a:g} and {b:g} V; the baseline is laid without them"
        )
        return None
    return low, high


def _allowed_for(readings: list[Found], k: int) -> Found:
    under, reading, overlapped = readings[k]
    if not overlapped:
        return readings[k]
    neighbours = [r for _, r, _ in readings[max(k - 1, 0) : k + 2] if r is not reading]
    return under, with_overlap(reading, neighbours), True


def _resolved(frame: Frame, readings: list[Found], grid: Grid, notes: list[str]) -> list[Found]:
    """Every run of overlapping peaks replaced by its components, where the fit succeeds."""
    done: list[Found] = []
    k = 0
    while k < len(readings):
        stop = k + 1
        while readings[k][2] and stop < len(readings) and readings[stop][2] and stop - k < LARGEST_GROUP:
            stop += 1
        parts = None if stop - k < 2 else resolve(frame, [(u, r) for u, r, _ in readings[k:stop]])
        if parts is not None:
            done += [(u, r, True) for u, r in parts]
        else:
            done += [_allowed_for(readings, j) for j in range(k, stop)]
            if stop - k > 1:
                at = grid.direction * readings[k][1].x
                notes.append(f"the overlapping peaks from {at:.4g} V on could not be resolved; given as measured")
        k = stop
    return done


def _valley(frame: Frame, under: Under, left: Site, right: Site) -> int:
    start, stop = round(left.at), max(round(right.at), round(left.at) + 1)
    return start + int(np.argmin((frame.smooth - under.current)[start : stop + 1]))


def _peak(grid: Grid, frame: Frame, sign: Sign, r: Reading, under: Under, kind: str, overlapped: bool) -> Peak:
    to = grid.direction
    nodes = list(under.nodes)
    line: Floats = sign * under.current[nodes]
    width = None if r.front is None or r.back is None else r.back - r.front
    return Peak(
        polarity="anodic" if sign > 0 else "cathodic",
        potential=to * r.x,
        height=sign * r.height,
        area=sign * r.area,
        charge=sign * r.area / grid.scan_rate if grid.scan_rate else None,
        half_width=width,
        half_peak_potential=None if r.front is None else to * r.front,
        asymmetry=None if r.front is None or r.back is None or r.x <= r.front else (r.back - r.x) / (r.x - r.front),
        u_potential=r.u_x,
        u_height=r.u_height,
        shape="shoulder" if r.shoulder else "peak",
        overlapped=overlapped,
        baseline=PeakBaseline(kind=kind, potential=tuple((to * frame.x[nodes]).tolist()), current=tuple(line.tolist())),
    )


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
        and abs(p.height) >= 2 * p.u_height
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
