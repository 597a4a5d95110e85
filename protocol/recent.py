"""The newest stretch of a measured quantity, thinned so that it stays small however long and dense it is."""

import math

import numpy as np

MOST_KEPT = 500


class Recent:
    """Values of the last `window` seconds, of samples `spacing` seconds apart."""

    def __init__(self, window: float, spacing: float) -> None:
        self._window = window
        self._every = max(1, math.ceil(window / spacing / MOST_KEPT))
        self._kept = np.empty((2, 4 * MOST_KEPT))  # times and values, of which [begin, end) count
        self._begin = self._end = self._seen = 0
        self._slope: float | None = None

    def add(self, time: float, value: float) -> None:
        self._seen += 1
        if self._seen % self._every:
            return
        if self._end == self._kept.shape[1]:
            self._kept[:, : self._end - self._begin] = self._kept[:, self._begin : self._end]
            self._begin, self._end = 0, self._end - self._begin
        self._kept[:, self._end] = time, value
        self._end += 1
        while self._kept[0, self._begin] < time - self._window * (1 + 1e-9):
            self._begin += 1
        self._slope = None

    def mean(self) -> float:
        """Mean value; NaN when there is none."""
        return float(self._kept[1, self._begin : self._end].mean()) if self._end > self._begin else math.nan

    def slope(self) -> float:
        """Slope of the straight line through the values (1/s times their unit); NaN with fewer than three."""
        if self._end - self._begin < 3:
            return math.nan
        if self._slope is None:
            time, value = self._kept[:, self._begin : self._end]
            from_middle = time - time.mean()
            self._slope = float(np.dot(from_middle, value - value.mean()) / np.dot(from_middle, from_middle))
        return self._slope
