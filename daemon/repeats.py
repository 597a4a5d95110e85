"""Bounds what is logged of one and the same trouble: weeks without anybody must not fill a disk with it."""

import logging
import time
from collections import OrderedDict
from collections.abc import Callable

MOST, WITHIN = 20, 600.0
"""Of one kind, at most so many in so many seconds."""
_MOST_KINDS = 500


class Repeats:
    """Counts what comes of each kind."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._kinds: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def take(self, kind: str) -> int | None:
        """None for one that is too many, else how many of its kind were left out just before it."""
        now = self._clock()
        since, count = self._kinds.get(kind, (now, 0))
        left_out = 0
        if now - since >= WITHIN:
            left_out, since, count = max(0, count - MOST), now, 0
        self._kinds[kind] = since, count + 1
        self._kinds.move_to_end(kind)
        if len(self._kinds) > _MOST_KINDS:
            self._kinds.popitem(last=False)
        return left_out if count < MOST else None


class RepeatsFilter(logging.Filter):
    """The same for the logs of libraries, a kind being a place in their code."""

    def __init__(self, repeats: Repeats) -> None:
        super().__init__()
        self._repeats = repeats

    def filter(self, record: logging.LogRecord) -> bool:
        left_out = self._repeats.take(f"{record.name}:{record.lineno}")
        if left_out:
            record.msg, record.args = f"{record.getMessage()} ({left_out} more like it were left out)", ()
        return left_out is not None
