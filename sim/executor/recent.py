"""The newest stretch of a measured quantity, thinned so that it stays small however long and dense it is."""

import math
from collections import deque

import numpy as np

MOST_KEPT = 500


class Recent:
    """Values of the last `window` seconds."""

    def __init__(self, window: float, spacing: float) -> None:
        self._window = window
        self._every = max(1, math.ceil(window / spacing / MOST_KEPT))
        self._kept: deque[tuple[float, float]] = deque()
        self._seen = 0

    def add(self, time: float, value: float) -> None:
        self._seen += 1
        if self._seen % self._every == 0:
            self._kept.append((time, value))
            while self._kept[0][0] < time - self._window * (1 + 1e-9):
                self._kept.popleft()

    def mean(self) -> float:
        """Mean value; NaN when there is none."""
        return float(np.mean([value for _, value in self._kept])) if self._kept else math.nan

    def slope(self) -> float:
        """Slope of the straight line through the values (1/s times their unit); NaN with fewer than three."""
        if len(self._kept) < 3:
            return math.nan
        time, value = np.array(self._kept).T
        time = time - time.mean()
        return float(np.dot(time, value - value.mean()) / np.dot(time, time))
