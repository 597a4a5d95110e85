"""The points of one run, kept in the host's memory until they are acknowledged."""

from collections import deque
from collections.abc import Iterable, Mapping
from itertools import islice

from luggin.protocol.points import Batch, batch


class HeldPoints:
    """Points [oldest, next) of one run.  Beyond `capacity` the oldest are given up; `lost` counts them."""

    def __init__(self, run: str, boot: str, capacity: int, columns: Iterable[str]) -> None:
        self.run, self.boot = run, boot
        self._columns = tuple(columns)
        self._capacity = capacity
        self._rows: deque[tuple[float, ...]] = deque()
        self.oldest = self.next = self.lost = 0

    def append(self, point: Mapping[str, float]) -> None:
        self._rows.append(tuple(point[name] for name in self._columns))
        self.next += 1
        if len(self._rows) > self._capacity:
            self.lost += 1
            self.forget(self.oldest + 1)

    def forget(self, after: int) -> None:
        """Points below `after` are no longer needed."""
        while self.oldest < min(after, self.next):
            self._rows.popleft()
            self.oldest += 1

    def batch(self, first: int, after: int) -> Batch:
        """Points [first, after), which must be held; at least one."""
        rows = islice(self._rows, first - self.oldest, after - self.oldest)
        columns = zip(*rows, strict=True)
        return batch(self.run, self.boot, first, dict(zip(self._columns, columns, strict=True)))
