"""Curves against each other: overlay, difference, mean and spread of replicates, blank, trend of a property."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, floats, same_length
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Result, student, symmetric
from luggin.daemon.analysis.grid import SMALLEST_RANGE, Mask
from luggin.daemon.analysis.peak_models import PeakProperty, property_of
from luggin.daemon.analysis.regression import fit_line
from luggin.daemon.analysis.sweeps import split_sweeps
from luggin.protocol.evaluation.peak_results import Peak

LARGEST_OVERLAY = 20_000


@dataclass(frozen=True)
class Curve:
    """Points of one sweep: potential (V), current (A), and usable (False to ignore a point), each of shape (n,)."""

    potential: ArrayLike
    current: ArrayLike
    usable: ArrayLike | None = None


@dataclass(frozen=True)
class Overlay:
    """Curves on one grid: potential (m,) ascending, V; currents (k, m), A, one row for each curve."""

    potential: Floats
    currents: Floats


@dataclass(frozen=True)
class Replicates:
    """Mean and spread of k replicate curves, all (m,): sd with k - 1 degrees of freedom; the confidence limits are
    those of the mean (Student's t). sd and limits are None for a single curve.
    """

    potential: Floats
    mean: Floats
    sd: Floats | None
    lower: Floats | None
    upper: Floats | None
    count: int


@dataclass(frozen=True)
class BlankSubtracted:
    """current (n,): A, NaN where the blank has no counterpart; covered (n,): where it has one; notes: what lacks."""

    current: Floats
    covered: Mask
    notes: tuple[str, ...]


class Trend(Result):
    """Straight line through a property over a sequence.

    slope and intercept with standard uncertainty and interval; significant: zero is outside the interval of the slope
    (None where there is no interval); points: values used; left_out: missing ones.
    """

    slope: Estimate
    intercept: float
    residual_sd: float | None
    significant: bool | None
    points: int
    left_out: int


def overlay(curves: Sequence[Curve]) -> Overlay:
    """Interpolate sweeps onto an even grid over the potentials that all of them share, as fine as the finest.

    AnalysisError without a curve, for a constant potential, or if nothing is shared.
    """
    cleaned = [_clean(c, k) for k, c in enumerate(curves)]
    if not cleaned:
        raise AnalysisError("There is no curve to lay over another; give at least one.")
    low, high = max(float(e[0]) for e, _ in cleaned), min(float(e[-1]) for e, _ in cleaned)
    if high - low < SMALLEST_RANGE:
        raise AnalysisError(f"The curves share no potentials: one starts at {low:g} V, one ends at {high:g} V.")
    step = min(float(np.median(np.diff(e))) for e, _ in cleaned)
    count = min(max(round((high - low) / step) + 1, 2), LARGEST_OVERLAY)
    grid = np.linspace(low, high, count)
    return Overlay(grid, np.stack([np.interp(grid, e, i) for e, i in cleaned]))


def difference(first: Curve, second: Curve) -> tuple[Floats, Floats]:
    """Potential (V) and the current of `first` less that of `second` (A) on their common grid."""
    both = overlay([first, second])
    return both.potential, both.currents[0] - both.currents[1]


def replicate_mean(curves: Sequence[Curve], confidence: float = 0.95) -> Replicates:
    """Mean, standard deviation and confidence limits of the mean of replicate sweeps, potential by potential."""
    laid = overlay(curves)
    mean = laid.currents.mean(axis=0)
    k = len(curves)
    if k < 2:
        return Replicates(laid.potential, mean, None, None, None, k)
    sd = laid.currents.std(axis=0, ddof=1)
    half = student(confidence, k - 1) * sd / k**0.5
    return Replicates(laid.potential, mean, sd, mean - half, mean + half, k)


def subtract_blank(
    potential: ArrayLike,
    current: ArrayLike,
    blank_potential: ArrayLike,
    blank_current: ArrayLike,
    *,
    cycle: ArrayLike | None = None,
    blank_cycle: ArrayLike | None = None,
    usable: ArrayLike | None = None,
    blank_usable: ArrayLike | None = None,
) -> BlankSubtracted:
    """Subtract a blank run, interpolated on potential sweep by sweep.

    The first rising sweep meets the first rising sweep of the blank, and so on; a run with more cycles than the blank
    goes on with its last sweep of the same direction. Its end values serve for one more of its steps (a vertex belongs
    to one sweep only); further outside the result is NaN, never extrapolated. Columns of shape (n,) for the run, (m,)
    for the blank; AnalysisError for unequal lengths.
    """
    e, i, good = _columns("", potential, current, usable)
    blank_e, blank_i, blank_good = _columns("blank_", blank_potential, blank_current, blank_usable)
    good &= np.isfinite(e) & np.isfinite(i)
    blank_good &= np.isfinite(blank_e) & np.isfinite(blank_i)
    stock: dict[int, list[slice]] = {1: [], -1: []}
    for b in split_sweeps(blank_e, cycle=blank_cycle):
        stock[b.direction].append(b.part)
    out = np.full(e.size, np.nan)
    notes = []
    met = {1: 0, -1: 0}
    sweeps = split_sweeps(e, cycle=cycle)
    for s in sweeps:
        matching = stock[s.direction]
        place = met[s.direction]
        met[s.direction] += 1
        if not matching:
            continue
        part = matching[min(place, len(matching) - 1)]
        kept = blank_good[part]
        if np.unique(blank_e[part][kept]).size < 2:
            continue
        x, y = _averaged(s.direction * blank_e[part][kept], blank_i[part][kept])
        step = float(np.median(np.diff(x)))
        here = s.direction * e[s.part]
        with np.errstate(invalid="ignore"):
            within = (here >= x[0] - 1.001 * step) & (here <= x[-1] + 1.001 * step)
        out[s.part] = np.where(within, i[s.part] - np.interp(here, x, y), np.nan)
    out[~good] = np.nan
    for direction, word in ((1, "rising"), (-1, "falling")):
        if met[direction] and not stock[direction]:
            notes.append(f"the blank has no sweep with {word} potential")
        elif met[direction] > len(stock[direction]):
            notes.append(
                f"the blank has {len(stock[direction])} sweeps with {word} potential and the run {met[direction]};"
                " its last one was used again"
            )
    covered = np.isfinite(out)
    missing = int(np.count_nonzero(good & ~covered))
    if missing:
        notes.append(f"{missing} points lie outside the blank and are not corrected")
    return BlankSubtracted(out, covered, tuple(notes))


def trend(values: Sequence[float | None], positions: Sequence[float] | None = None, confidence: float = 0.95) -> Trend:
    """Slope of values over a sequence, by least squares with Student's t interval.

    positions: where each value belongs (run number, hours, cycle ...), 0, 1, 2 ... if not given. None and NaN are left
    out. AnalysisError if fewer than two values remain or all positions are the same.
    """
    y = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
    x = np.arange(y.size, dtype=np.float64) if positions is None else floats("positions", positions)
    same_length("positions", x, "values", y)
    present = np.isfinite(y)
    if np.count_nonzero(present) < 2:
        raise AnalysisError(f"{np.count_nonzero(present)} values are too few for a trend; at least 2 are needed.")
    line = fit_line(x[present], y[present], x_name="positions", y_name="values")
    slope = symmetric(
        line.slope, line.slope_sd or 0.0, line.degrees_of_freedom, confidence, "least squares, Student's t"
    )
    significant = None
    if slope.lower is not None and slope.upper is not None:
        significant = not slope.lower <= 0 <= slope.upper
    return Trend(
        slope=slope,
        intercept=line.intercept,
        residual_sd=line.residual_sd,
        significant=significant,
        points=line.points,
        left_out=int(y.size - line.points),
    )


def peak_trend(
    peaks: Sequence[Peak | None],
    name: PeakProperty,
    positions: Sequence[float] | None = None,
    confidence: float = 0.95,
) -> Trend:
    """Trend of one property of the same analyte's peak over a sequence; None where a run had no such peak."""
    return trend([None if p is None else property_of(p, name) for p in peaks], positions, confidence)


def _columns(
    prefix: str, potential: ArrayLike, current: ArrayLike, usable: ArrayLike | None
) -> tuple[Floats, Floats, Mask]:
    e, i = (np.asarray(a, dtype=np.float64).ravel() for a in (potential, current))
    good = np.ones(e.size, dtype=bool) if usable is None else np.array(usable, dtype=bool).ravel()
    same_length(f"{prefix}potential", e, f"{prefix}current", i)
    same_length(f"{prefix}potential", e, f"{prefix}usable", good)
    return e, i, good


def _clean(curve: Curve, number: int) -> tuple[Floats, Floats]:
    """Usable points in ascending order, equal potentials averaged."""
    e, i, good = _columns("", curve.potential, curve.current, curve.usable)
    good &= np.isfinite(e) & np.isfinite(i)
    e, i = e[good], i[good]
    if e.size < 2 or np.ptp(e) < SMALLEST_RANGE:
        raise AnalysisError(f"Curve {number + 1} has no range of potentials; give a sweep.")
    return _averaged(e, i)


def _averaged(e: Floats, i: Floats) -> tuple[Floats, Floats]:
    """In ascending order, equal potentials averaged."""
    distinct, place = np.unique(e, return_inverse=True)
    return distinct, np.bincount(place, i) / np.bincount(place)
