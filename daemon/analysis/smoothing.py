"""Savitzky-Golay smoothing with its window given in volts, so that it means the same for every step width."""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import savgol_coeffs, savgol_filter

from luggin.daemon.analysis.arrays import Floats, positive
from luggin.protocol.evaluation.peak_settings import Smoothing


def savitzky_golay(current: ArrayLike, step: float, smoothing: Smoothing) -> Floats:
    """Smooth equally spaced currents (A) that lie `step` volts apart; same shape as the input.

    Ends are fitted, not padded. Values that are not finite are bridged for the filter and come back as NaN. A
    window that holds too few points for its polynomial leaves the currents unchanged. Raises AnalysisError unless
    `step` is above zero. Source: Savitzky and Golay, Anal. Chem. 36 (1964) 1627; `scipy.signal.savgol_filter`.
    """
    positive("step", step)
    values = np.array(current, dtype=np.float64)
    finite = np.isfinite(values)
    if values.ndim != 1 or not finite.any():
        return values
    index = np.arange(values.size)
    bridged = np.interp(index, index[finite], values[finite])
    window = window_points(smoothing.width / step, values.size)
    if window <= smoothing.order:
        return values
    smoothed: Floats = savgol_filter(bridged, window, smoothing.order, mode="interp")
    return np.where(finite, smoothed, np.nan)


def extend(y: Floats, by: int) -> Floats:
    """Mirror both ends through their own end point, which prolongs a slope without a bend; `by` points each."""
    few = min(8, y.size)
    t = np.arange(few) - (few - 1) / 2
    weights = 1 / few - t * (few - 1) / 2 / float(t @ t)
    first, last = float(weights @ y[:few]), float(weights @ y[: -few - 1 : -1])
    return np.concatenate((2 * first - y[by:0:-1], y, 2 * last - y[-2 : -by - 2 : -1]))


def gentle(y: Floats, points: float) -> Floats:
    """Quadratic Savitzky-Golay smoothing over about `points` points, quick for many short curves."""
    window = window_points(points, y.size)
    if window <= 3:
        return y
    return np.convolve(extend(y, window // 2), _coefficients(window), "valid")


@lru_cache(maxsize=64)
def _coefficients(window: int) -> Floats:
    weights: Floats = savgol_coeffs(window, 2)
    return weights


def window_points(points: float, size: int) -> int:
    """The odd number of points nearest to `points` that fits into a curve of `size` points."""
    largest = size if size % 2 else size - 1
    return int(min(2 * round((min(points, size) - 1) / 2) + 1, largest))
