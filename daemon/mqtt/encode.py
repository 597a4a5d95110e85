"""Points as messages: JSON of payloads.Points, each message below what the broker carries.

The JSON is written from plain data: checking each number against the model again would cost more than all the rest,
and the tests compare the two.
"""

from collections.abc import Iterator

from pydantic_core import to_json

from luggin.daemon.decimals import columns
from luggin.protocol.payloads import Points
from luggin.protocol.points import Batch

MOST_POINTS = 1000
_BYTES_PER_NUMBER = 14  # a guess to begin with; what turns out too large is halved


def points_message(batch: Batch, live: bool) -> bytes:
    data = {
        "version": Points.model_fields["version"].default,
        "run": batch.run,
        "boot": batch.boot,
        "first": batch.first,
        "count": batch.count,
        "live": live,
        "columns": columns(batch),
    }
    return to_json(data)


def points_messages(batch: Batch, live: bool, largest: int) -> Iterator[tuple[Batch, bytes]]:
    """The batch cut into messages of at most `largest` bytes and MOST_POINTS points, in order.

    A single point is always one message, whatever its size (some hundred bytes).
    """
    step = max(1, min(MOST_POINTS, largest // (_BYTES_PER_NUMBER * len(batch.columns))))
    first = batch.first
    while (piece := batch.cut(first, first + step)) is not None:
        message = points_message(piece, live)
        if len(message) > largest and piece.count > 1:
            step = piece.count // 2
            continue
        yield piece, message
        first = piece.after
