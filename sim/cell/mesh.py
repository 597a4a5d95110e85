"""Cutting one step into sub-steps: what follows a jump is steep at first, and like sqrt(t) for long."""

import math
from functools import lru_cache

PER_ROOT = 12  # equal sub-steps in sqrt(t) from a jump to the end of a step
FORGOTTEN = 64.0  # steps after which a jump is as good as long past
SMALLEST = 1e-7  # s
GROWTH = 2.0  # of the very first sub-steps


@lru_cache(maxsize=1024)
def cuts(since: float, span: float, first: float, longest: float) -> tuple[float, ...]:
    """Ends of the sub-steps of a step from `since` to `since + span` s after a jump, relative to the step's start.

    `first` (s) bounds the very first sub-step after the jump; it is looked at only when `since` is zero. No sub-step
    is longer than `longest` (s).
    """
    end = since + span
    count = max(1, math.ceil(PER_ROOT * (1 - math.sqrt(since / end)) - 1e-9))
    step = (math.sqrt(end) - math.sqrt(since)) / count
    marks = [(math.sqrt(since) + k * step) ** 2 - since for k in range(1, count)] + [span]
    if since == 0:
        early = marks[0]
        while early > max(first, SMALLEST) * (1 + 1e-9):
            early /= GROWTH
            marks.insert(0, early)
    finer: list[float] = []
    start = 0.0
    for mark in marks:
        parts = math.ceil((mark - start) / longest - 1e-9)
        finer += [start + (mark - start) * k / parts for k in range(1, parts)]
        finer.append(mark)
        start = mark
    return tuple(finer)
