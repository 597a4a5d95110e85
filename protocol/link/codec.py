"""Messages to bytes and back: strict, bounded, with one error for everything that is no message."""

from collections.abc import Mapping
from typing import Any, get_type_hints

from luggin.protocol.link import cbor
from luggin.protocol.link.columns import (
    MOST_POINTS,
    Even,
    fitting,
    read_columns,
    read_time,
    write_columns,
    write_time,
)
from luggin.protocol.link.frame import LARGEST_MESSAGE
from luggin.protocol.link.kinds import LARGEST_COUNT, Kind, MessageError, identifier, record, whole
from luggin.protocol.link.message import MESSAGES, Message, Points
from luggin.protocol.link.records import LONGEST_BOOT, LONGEST_RUN
from luggin.protocol.points import Batch

_MOST_DEPTH = 4
_BY_TYPE = {each.TYPE: each for each in MESSAGES}
_POINTS_HEAD = {
    "run": identifier(LONGEST_RUN),
    "boot": identifier(LONGEST_BOOT),
    "first": whole(0, LARGEST_COUNT - MOST_POINTS),
}


def _kind(message: type[Any]) -> Kind:
    hints = get_type_hints(message, include_extras=True)
    return record(message, {n: h.__metadata__[0] for n, h in hints.items() if hasattr(h, "__metadata__")})


_KINDS: Mapping[int, Kind] = {each.TYPE: _kind(each) for each in MESSAGES if each is not Points}


def encode(message: Message) -> bytes:
    """Bytes of a message, to be put into a frame.  Raises ValueError when a field is not what its kind allows."""
    if isinstance(message, Points):
        fields = _write_points(message)
    else:
        kind = _KINDS[message.TYPE]
        fields = kind.write(message)
        kind.read(fields)
    encoded = cbor.dump([message.TYPE, *fields])
    if len(encoded) > LARGEST_MESSAGE:
        raise ValueError(f"a {type(message).__name__} of {len(encoded)} bytes does not fit a frame")
    return encoded


def decode(message: bytes) -> Message:
    """The message in the bytes of a frame.  Raises MessageError for anything else, and no other error."""
    if len(message) > LARGEST_MESSAGE:
        raise MessageError(f"a message of {len(message)} bytes is too large")
    item = cbor.load(message, _MOST_DEPTH)
    if type(item) is not list or not item or type(item[0]) is not int:
        raise MessageError("a message is an array that begins with its type number")
    kind, *fields = item
    sequence = fields[0] if fields and type(fields[0]) is int and 0 < fields[0] < 2**32 else None
    if kind not in _BY_TYPE:
        raise MessageError(f"there is no message of type {repr(kind)[:40]}", sequence)
    try:
        if kind == Points.TYPE:
            return _read_points(fields)
        found: Message = _KINDS[kind].read(fields)
    except MessageError as error:
        raise MessageError(f"{_BY_TYPE[kind].__name__}: {error}", sequence) from None
    return found


def points_that_fit(batch: Batch, even: Even | None = None, room: int = LARGEST_MESSAGE) -> Points:
    """As many of the first points of `batch` as fit one message of `room` bytes.

    `even`, when given, must reproduce the times of the whole batch (up to MOST_POINTS of them are looked at).
    """
    head = 1 + 1 + (2 + len(batch.run)) + (2 + len(batch.boot)) + 9 + 3 + 1
    count = fitting(batch.columns, even, room - head)
    cut = batch.cut(batch.first, batch.first + count)
    assert cut is not None
    return Points(cut, even)


def _write_points(message: Points) -> list[Any]:
    batch = message.batch
    if not 0 < batch.count <= MOST_POINTS:
        raise ValueError(f"a message holds 1 to {MOST_POINTS} points, not {batch.count}")
    head = [kind.read(getattr(batch, name)) for name, kind in _POINTS_HEAD.items()]
    return [*head, batch.count, write_time(batch.columns["time"], message.even), write_columns(batch.columns)]


def _read_points(fields: list[Any]) -> Points:
    if len(fields) != 6:
        raise MessageError(f"expected an array of 6 fields, got {len(fields)}")
    run, boot, first = (kind.read(value) for kind, value in zip(_POINTS_HEAD.values(), fields[:3], strict=True))
    count = whole(1, MOST_POINTS).read(fields[3])
    time, even = read_time(fields[4], count)
    return Points(Batch(run, boot, first, {"time": time, **read_columns(fields[5], count)}), even)
