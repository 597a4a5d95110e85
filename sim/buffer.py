"""The points that an instrument keeps until its host has them: a ring that forgets the oldest when it is full."""

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from luggin.protocol.link.columns import Even
from luggin.protocol.points import COLUMNS, Array, Batch, batch


@dataclass(frozen=True)
class _Stretch:
    """Points from index `first` on whose times follow one rule, or none."""

    first: int
    even: Even | None


class PointBuffer:
    """Points [oldest, next) of one run.  `lost` counts those that were overwritten before anybody had them."""

    def __init__(self, run: str, boot: str, capacity: int, columns: Iterable[str]) -> None:
        self.run, self.boot = run, boot
        self._capacity = capacity
        self._ring = {name: np.empty(capacity, COLUMNS[name].dtype) for name in columns}
        self._stretches: list[_Stretch] = []
        self.oldest = self.next = self.lost = 0

    def append(self, columns: Mapping[str, Array], even: Even | None) -> Batch:
        """Add points; a column that they lack is not-a-number.  `even`, when given, is the rule of their times.

        Returns them as they are kept.
        """
        count = len(columns["time"])
        nothing = np.full(count, np.nan)
        added = batch(self.run, self.boot, self.next, {name: columns.get(name, nothing) for name in self._ring})
        if not self._stretches or even is None or not self._continues(even):
            self._stretches.append(_Stretch(self.next, even))
        # A burst that is larger than the ring leaves only its newest points.
        skipped = max(0, count - self._capacity)
        places = (self.next + np.arange(skipped, count)) % self._capacity
        for name, ring in self._ring.items():
            ring[places] = added.columns[name][skipped:]
        self.next += count
        overwritten = self.next - self._capacity - self.oldest
        if overwritten > 0:
            self.lost += overwritten
            self.forget(self.oldest + overwritten)
        return added

    def forget(self, after: int) -> None:
        """Points below `after` are no longer needed."""
        self.oldest = max(self.oldest, min(after, self.next))
        del self._stretches[: max(0, self._number(self.oldest))]

    def batch(self, first: int, most: int) -> tuple[Batch, Even | None]:
        """At most `most` points from `first` on, and the rule of their times; at least one must be held there.

        Valid until the next `append`.
        """
        number = self._number(first)
        stretch = self._stretches[number]
        after = self._stretches[number + 1].first if number + 1 < len(self._stretches) else self.next
        place = first % self._capacity
        count = min(most, after - first, self._capacity - place)
        columns = {name: ring[place : place + count] for name, ring in self._ring.items()}
        even = None if stretch.even is None else stretch.even.later(first - stretch.first)
        return Batch(self.run, self.boot, first, columns), even

    def _number(self, point: int) -> int:
        """Which stretch holds this point."""
        return bisect_right(self._stretches, point, key=lambda stretch: stretch.first) - 1

    def _continues(self, even: Even) -> bool:
        last = self._stretches[-1]
        return last.even is not None and last.even.later(self.next - last.first) == even
