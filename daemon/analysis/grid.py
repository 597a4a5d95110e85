"""One sweep put on an even potential grid: what can't be used left out, what is too dense averaged."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.errors import AnalysisError

Mask = NDArray[np.bool_]

POINTS_PER_HALF_WIDTH: Final = 16  # at least so many are kept across the narrowest peak sought
FEWEST: Final = 5  # points
LARGEST_GRID: Final = 8192
BEYOND_MEASURING: Final = 1e12  # no potential or current of a cell; keeps sums of squares finite
SMALLEST_RANGE: Final = 1e-9  # V; less is a constant potential
RETRACE: Final = 0.2  # share of the potential range that may be run back before it is another sweep


@dataclass(frozen=True)
class Grid:
    """A sweep in scan order. `x` is the potential times `direction`, so it always ascends.

    x, y: shape (n,), V and A, evenly spaced by `step`; measured: False where no usable point was near and `y` is
    bridged; noise: standard deviation of `y` in A; used, ignored: counts of the points given; scan_rate in V/s.
    """

    x: Floats
    y: Floats
    measured: Mask
    step: float
    direction: int
    noise: float
    used: int
    ignored: int
    scan_rate: float | None

    def index(self, potential: float) -> int:
        """Index of the grid point nearest to a potential."""
        return int(np.clip(round((self.direction * potential - self.x[0]) / self.step), 0, self.x.size - 1))


@dataclass(frozen=True)
class Unfit:
    """Why a curve holds nothing to look for."""

    reason: str
    used: int
    ignored: int


def prepare(
    potential: ArrayLike, current: ArrayLike, time: ArrayLike | None, usable: ArrayLike | None, half_width: float
) -> Grid | Unfit:
    """Sort, average and decimate one sweep; `half_width` (V) is that of the narrowest peak sought.

    Raises AnalysisError where the columns differ in length; any content is an answer, `Unfit` included.
    """
    e, i = (np.asarray(a, dtype=np.float64).ravel() for a in (potential, current))
    t = None if time is None else np.asarray(time, dtype=np.float64).ravel()
    wanted = np.ones(e.size, dtype=bool) if usable is None else np.asarray(usable, dtype=bool).ravel()
    for name, size in (("current", i.size), ("usable", wanted.size), ("time", e.size if t is None else t.size)):
        if size != e.size:
            raise AnalysisError(f"{name} has {size} values and potential has {e.size}; give columns of equal length.")
    with np.errstate(invalid="ignore"):
        keep = wanted & (np.abs(e) < BEYOND_MEASURING) & (np.abs(i) < BEYOND_MEASURING)
    if not keep.all():
        e, i, t = e[keep], i[keep], None if t is None else t[keep]
    used, ignored = e.size, keep.size - e.size
    reason = _why_unfit(e)
    if reason is not None:
        return Unfit(reason, used, ignored)
    direction = 1 if e[-1] > e[0] else -1
    scan_rate = None if t is None else _scan_rate(e, t)
    x, y, measured, step = _even(direction * e, i, half_width)
    if x.size < FEWEST:
        return Unfit(f"{x.size} different potentials are too few for a peak", used, ignored)
    lone = _spikes(y)
    if lone.any():
        measured &= ~lone
        y = np.interp(x, x[measured], y[measured])
    return Grid(x, y, measured, step, direction, noise_of(y, half_width / step), used, ignored, scan_rate)


def _why_unfit(e: Floats) -> str | None:
    if e.size < FEWEST:
        return f"{e.size} usable points are too few for a peak"
    span = np.ptp(e)
    if span < SMALLEST_RANGE:
        return "the potential is constant"
    forward = e if e[-1] > e[0] else -e
    if np.max(np.maximum.accumulate(forward) - forward) > RETRACE * span:
        return "the potential reverses within the curve; split it into sweeps first"
    return None


def _scan_rate(e: Floats, t: Floats) -> float | None:
    elapsed = t[-1] - t[0]
    return float(abs(e[-1] - e[0]) / elapsed) if np.isfinite(elapsed) and elapsed > 0 else None


def _even(x: Floats, y: Floats, half_width: float) -> tuple[Floats, Floats, Mask, float]:
    """Means on an even grid, as fine as the points lie unless that is needlessly dense."""
    low, span = float(np.min(x)), float(np.ptp(x))
    enough = min(max(span / half_width * POINTS_PER_HALF_WIDTH, 64), LARGEST_GRID)
    apart = np.diff(x)
    step = span / apart.size
    if x.size < 2 * enough and np.max(np.abs(apart - step)) < 1e-3 * step:
        return x, y, np.ones(x.size, dtype=bool), step
    intervals = span / _spacing(x, span)
    size = max(round(intervals / max(int(intervals / enough), 1)), 1) + 1
    step = span / (size - 1)
    index = np.rint((x - low) / step).astype(np.intp)
    count = np.bincount(index, minlength=size)
    measured = count > 0
    mean_x, mean_y = (np.bincount(index, a, size)[measured] / count[measured] for a in (x, y))
    grid: Floats = low + step * np.arange(size, dtype=np.float64)
    even: Floats = np.interp(grid, mean_x, mean_y)
    return grid, even, measured, step


def _spacing(x: Floats, span: float) -> float:
    """How far apart distinct potentials usually lie; over several, so that neither jitter nor a gap counts."""
    place = np.sort(x)
    place = place[np.concatenate(([True], np.diff(place) > 1e-6 * span / x.size))]
    over = min(8, place.size - 1)
    return float(np.median(place[over:] - place[:-over])) / over


def _spikes(y: Floats) -> Mask:
    """Points far off a curve that is smooth without them: at most two close together."""
    lone = np.zeros(y.size, dtype=bool)
    if y.size < 9:
        return lone
    bend = np.abs(_bend(y))
    spread = 1.4826 * _median(bend)
    suspects = np.flatnonzero(bend > 7 * spread) + 1
    if not 0 < suspects.size <= y.size // 6 or spread == 0:
        return lone
    for cluster in np.split(suspects, np.flatnonzero(np.diff(suspects) > 2) + 1):
        start, stop = max(int(cluster[0]) - 3, 0), min(int(cluster[-1]) + 4, y.size)
        lone[start:stop] |= _off_curve(y[start:stop], spread)
    return lone


def _off_curve(y: Floats, spread: float) -> Mask:
    """What to take out of a stretch to make it smooth; nothing if two points are not enough.

    A narrow peak goes on bending when its top is taken off, a spike leaves nothing.
    """
    index, out = np.arange(y.size), np.zeros(y.size, dtype=bool)
    smooth = max(4 * spread, 0.1 * float(np.abs(_bend(y)).max()))
    for _ in range(2):
        bent = np.abs(_bend(np.interp(index, index[~out], y[~out])))
        bent[out[1:-1]] = 0
        out[int(np.argmax(bent)) + 1] = True
        if np.abs(_bend(np.interp(index, index[~out], y[~out]))).max() <= smooth:
            return out
    return np.zeros(y.size, dtype=bool)


def _median(values: Floats) -> float:
    """The upper median: of many values the mean of the middle two is not worth its time."""
    middle = values.size // 2
    return float(np.partition(values, middle)[middle])


def _bend(y: Floats) -> Floats:
    bend: Floats = y[1:-1] - (y[:-2] + y[2:]) / 2
    return bend


def noise_of(y: Floats, half_width: float) -> float:
    """Standard deviation (A) of the noise, from second differences that a peak of `half_width` points hardly
    shows in. Several lags, so that slow noise counts too; never zero, so that a perfect curve has a scale.
    """
    estimates = [1e-9 * float(np.ptp(y)) + 1e-30]
    levels = np.unique(y)
    if levels.size < y.size // 2:
        # A coarse converter: the steps of a slow curve are no noise, and no peaks either.
        apart = np.diff(levels)
        estimates.append(float(np.min(apart[apart > 1e-6 * np.ptp(y)], initial=float(np.ptp(y)))))
    for lag in {1, *(int(half_width * share) for share in (1 / 16, 1 / 8))}:
        if lag == 1 or 1 < lag <= y.size // 8:
            bend = np.abs(y[: -2 * lag] - 2 * y[lag:-lag] + y[2 * lag :])
            estimates.append(1.4826 * _median(bend) / 6**0.5)
    return max(estimates)
