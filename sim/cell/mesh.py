"""Cutting one step into sub-steps: what follows a jump is steep at first, and like sqrt(t) for long."""

import math
from functools import lru_cache

PER_ROOT = 16  # equal sub-steps in sqrt(t) from a jump to the end of a step
PER_ROOT_SMALL = 8  # the same after a small jump, such as a step of a staircase
SMALL = 2.5e-3  # V
FORGOTTEN = 64.0  # steps after which a jump is as good as long past
EARLIEST = 1e-7  # s
GROWTH = 4.0  # of the very first sub-steps


@lru_cache(maxsize=1024)
def cuts(since: float, span: float, per_root: int, first: float, longest: float) -> tuple[float, ...]:
    """Ends of the sub-steps of a step from `since` to `since + span` s after a jump, relative to the step's start.

    There are `per_root` of them in sqrt(t) from the jump to the end of the step, none longer than `longest` (s).
    `first` (s) bounds the very first one after the jump; it is looked at only when `since` is zero.
    """
    begin, end = math.sqrt(since), math.sqrt(since + span)
    count = max(1, math.ceil(per_root * (1 - begin / end) - 1e-9))
    marks = [(begin + k * (end - begin) / count) ** 2 - since for k in range(1, count)] + [span]
    if since == 0:
        while marks[0] > max(first, EARLIEST) * (1 + 1e-9):
            marks.insert(0, marks[0] / GROWTH)
    finer: list[float] = []
    start = 0.0
    for mark in marks:
        parts = math.ceil((mark - start) / longest - 1e-9)
        finer += [start + (mark - start) * k / parts for k in range(1, parts)]
        finer.append(mark)
        start = mark
    return tuple(finer)
