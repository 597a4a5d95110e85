"""Current ranges and how an instrument moves between them while it measures."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from luggin.protocol.capability import Capability, nearest_range
from luggin.protocol.program import Ranging
from luggin.sim.cell.api import Floats
from luggin.sim.models import Range

UP, DOWN = 0.9, 0.06
"""Shares of full scale at which the range changes.  Between decades they leave a wide gap: no hunting."""
PATIENCE = 3
"""Readings in a row below DOWN before a smaller range is tried."""

HAIR = 1e-9
"""Seconds by which rounding may make a settling time too long."""
RESIDUE, SETTLED = 0.05, 5.0
"""Share of full scale that a change of range adds at first, and its time constants within the settling time."""

Reader = Callable[[slice, Range], Floats]
"""What a stretch of samples reads in a range (A), clipped as its converter clips."""


@dataclass(frozen=True)
class Place:
    """Where ranging stands: range in use, low readings in a row, run time (s) until which a change settles, and whether
    a reading was too large for it."""

    index: int
    low: int = 0
    settled: float = -np.inf
    high: bool = False


@dataclass(frozen=True)
class Rule:
    """How the range may change: to which lowest one (index), by which readings and after which samples (masks of shape
    (n,); None: all)."""

    lowest: int
    counts: NDArray[np.bool_] | None = None
    turns: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Ranged:
    """Readings (A), range in use (index) and whether it was still settling, each of shape (n,)."""

    reading: Floats
    index: NDArray[np.intp]
    settling: NDArray[np.bool_]


class Ranges:
    """The ranges that a program may use, and the rule by which it moves between them."""

    def __init__(self, ranges: Sequence[Range], capability: Capability, wanted: Ranging) -> None:
        """`wanted` names ranges that exist; without an initial one a run starts in its largest, which is safe."""
        self.all = tuple(ranges)
        lowest, highest, initial = (
            None if scale is None else nearest_range(scale, capability)
            for scale in (wanted.lower, wanted.upper, wanted.initial)
        )
        self.lowest = 0 if lowest is None else lowest
        self.highest = len(self.all) - 1 if highest is None else highest
        self.initial = Place(self.highest if initial is None else initial)

    def holding(self, current: float) -> int:
        """The smallest range from the lowest allowed one on that holds this current (A)."""
        last = len(self.all) - 1
        enough = abs(current) * (1 - 1e-9)
        return next((index for index in range(self.lowest, last) if self.all[index].full_scale >= enough), last)

    def fast(self, lead: float) -> int:
        """The lowest of the allowed ranges that settle within `lead` seconds; the highest when none does."""
        fits = (index for index in range(self.lowest, self.highest) if self.all[index].settling <= lead * (1 + 1e-9))
        return next(fits, self.highest)

    def follow(
        self, place: Place, time: Floats, read: Reader, rule: Rule | None, begin: Floats | None = None
    ) -> tuple[Place, Ranged]:
        """Read samples at run times `time`, changing range between two samples where the rule allows it and a reading
        asks for it; without a rule it stays.  A reading is true when the range has settled at `begin`, the run time at
        which it begins (None: it is of a moment)."""
        begin = time if begin is None else begin
        count = len(time)
        reading, index = np.empty(count), np.empty(count, dtype=np.intp)
        settling = np.empty(count, dtype=bool)
        start = 0
        while start < count:
            rest = slice(start, count)
            one = self.all[place.index]
            unsettled = begin[rest] < place.settled - HAIR
            read_here = read(rest, one) + self._residue(place, begin[rest], unsettled)
            move, low, high = None, 0, False
            if rule is not None:
                move, low, high = self._decision(place, read_here / one.full_scale, unsettled, rule, rest)
            end = count if move is None else start + move[0] + 1
            taken = slice(start, end)
            reading[taken], index[taken] = read_here[: end - start], place.index
            settling[taken] = unsettled[: end - start]
            if move is None:
                place = replace(place, low=low, high=high)
            else:
                there = place.index + move[1]
                place = Place(there, settled=float(time[end - 1]) + self.all[there].settling)
            start = end
        return place, Ranged(reading, index, settling)

    def _residue(self, place: Place, time: Floats, unsettled: NDArray[np.bool_]) -> Floats:
        """What the amplifier adds while a change of range dies away (A)."""
        one = self.all[place.index]
        since = (time - place.settled) / one.settling + 1 if unsettled.any() else np.zeros(len(time))
        return np.where(unsettled, RESIDUE * one.full_scale * np.exp(-SETTLED * since), 0.0)

    def _decision(
        self, place: Place, share: Floats, unsettled: NDArray[np.bool_], rule: Rule, rest: slice
    ) -> tuple[tuple[int, int] | None, int, bool]:
        """The first sample after which the range changes and by how much; the low readings counted at the end, and
        whether one was too large.

        While a change settles, nothing is decided.
        """
        size, count = np.abs(share), len(share)
        high = (size > UP) & ~unsettled if place.index < self.highest else np.zeros(count, dtype=bool)
        low = (size < DOWN) & ~unsettled if place.index > rule.lowest else np.zeros(count, dtype=bool)
        counts = np.ones(count, dtype=bool) if rule.counts is None else rule.counts[rest]
        turns = np.ones(count, dtype=bool) if rule.turns is None else rule.turns[rest]
        over = np.logical_or.accumulate(high & counts) | place.high
        # How many low readings in a row there are up to each sample; those that don't count change nothing.
        rows = np.concatenate([[place.low], _in_a_row(low[counts], place.low)])[np.cumsum(counts)]
        ready = rows >= PATIENCE
        first = [(int(np.argmax(mask)), step) for mask, step in ((over & turns, 1), (ready & turns, -1)) if mask.any()]
        return (min(first) if first else None), int(rows[-1]), bool(over[-1])


def _in_a_row(holds: NDArray[np.bool_], before: int) -> NDArray[np.intp]:
    """How many in a row have held up to each entry, `before` of them already."""
    numbers = np.arange(1, len(holds) + 1)
    last_break = np.maximum.accumulate(np.where(holds, -before, numbers))
    return np.where(holds, numbers - last_break, 0)
