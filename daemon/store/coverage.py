"""Which indices of a growing sequence are there: all below an end, but the holes.  Pure.

One idea serves three purposes: what of a run is stored, what of it a broker has taken, and what is missing.
"""

from collections.abc import Iterator
from dataclasses import dataclass

Span = tuple[int, int]
"""Half-open [first, after), never empty."""


@dataclass(frozen=True)
class Coverage:
    """Every index in [0, end) is there but those in `holes`, which are ascending, apart and end below `end`."""

    end: int = 0
    holes: tuple[Span, ...] = ()

    @property
    def contiguous(self) -> int:
        """Index after the last one up to which nothing is missing."""
        return self.holes[0][0] if self.holes else self.end

    @property
    def count(self) -> int:
        return self.end - sum(after - first for first, after in self.holes)

    def spans(self) -> Iterator[Span]:
        """What is there, ascending."""
        start = 0
        for first, after in (*self.holes, (self.end, self.end)):
            if first > start:
                yield start, first
            start = after

    def missing(self, first: int, after: int) -> list[Span]:
        """The parts of [first, after) that are not there, ascending."""
        inside = ((max(low, first), min(high, after)) for low, high in self.holes)
        return [(low, high) for low, high in (*inside, (max(self.end, first), after)) if low < high]

    def add(self, first: int, after: int) -> "Coverage":
        if first >= after:
            return self
        holes = [part for hole in self.holes for part in _without(hole, first, after)]
        if first > self.end:
            holes.append((self.end, first))
        return Coverage(max(self.end, after), tuple(holes))

    def union(self, other: "Coverage") -> "Coverage":
        result = self
        for first, after in other.spans():
            result = result.add(first, after)
        return result


def _without(hole: Span, first: int, after: int) -> Iterator[Span]:
    low, high = hole
    if low < min(high, first):
        yield low, min(high, first)
    if max(low, after) < high:
        yield max(low, after), high
