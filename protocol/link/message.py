"""The messages of the link, both ways: one frozen dataclass each, on the line an array [type, fields in order].

Requests go from host to instrument and carry a sequence number that grows by one with each new request of a session;
the instrument gives each of them exactly one answer with the same number.  `LINK.md` states the rules.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from typing import Annotated, Any, ClassVar, get_type_hints

from luggin.protocol.capability import Identity
from luggin.protocol.instrument import Activity, Cell, Outcome, Reading, Receipt, Status
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
from luggin.protocol.link.frame import LARGEST_FRAME, LARGEST_MESSAGE, SMALLEST_LARGEST_FRAME
from luggin.protocol.link.kinds import (
    LARGEST_COUNT,
    Kind,
    MessageError,
    data,
    identifier,
    number,
    numbered,
    optional,
    record,
    text,
    whole,
)
from luggin.protocol.points import Batch

VERSION = 1
MOST_DEPTH = 4

ACTIVITY_NUMBERS = {
    Activity.IDLE: 0,
    Activity.ARMED: 1,
    Activity.RUNNING: 2,
    Activity.HELD: 3,
    Activity.CLOSING: 4,
    Activity.AFTER_RUN: 5,
    Activity.ENDED: 6,
}
CELL_NUMBERS = {Cell.OFF: 0, Cell.ON: 1, Cell.UNKNOWN: 2}
OUTCOME_NUMBERS = {
    Outcome.COMPLETED: 0,
    Outcome.STOPPED: 1,
    Outcome.OFF: 2,
    Outcome.LIMIT: 3,
    Outcome.CONTROL_OVERLOAD: 4,
    Outcome.DEAD_MAN: 5,
    Outcome.HOLD_EXPIRED: 6,
    Outcome.FAULT: 7,
}


class Code(StrEnum):
    """Why an instrument refused a request."""

    NOT_UNDERSTOOD = "not-understood"  # the message is malformed or of an unknown type
    NO_SESSION = "no-session"  # no hello since the instrument's start: it was restarted
    STALE = "stale"  # overtaken by a later request, or the quoted clock is too old
    WRONG_STATE = "wrong-state"  # not possible in the present activity
    WRONG_RUN = "wrong-run"  # another run id than the one armed or held here
    OUT_OF_RANGE = "out-of-range"  # an index or offset that does not exist
    POINTS_HELD = "points-held"  # points of the former run wait to be acknowledged
    WRONG_HASH = "wrong-hash"  # the uploaded bytes are not the program that was meant
    NOT_EXECUTABLE = "not-executable"  # the program is malformed or asks what the instrument can't do
    HOLD_NOT_ALLOWED = "hold-not-allowed"  # the program has no place from here on where it may pause
    FAULT = "fault"  # the instrument is not fit to energise a cell, for instance its relay doesn't obey


CODE_NUMBERS = {
    Code.NOT_UNDERSTOOD: 1,
    Code.NO_SESSION: 2,
    Code.STALE: 3,
    Code.WRONG_STATE: 4,
    Code.WRONG_RUN: 5,
    Code.OUT_OF_RANGE: 6,
    Code.POINTS_HELD: 7,
    Code.WRONG_HASH: 8,
    Code.NOT_EXECUTABLE: 9,
    Code.HOLD_NOT_ALLOWED: 10,
    Code.FAULT: 11,
}

LONGEST_SENTENCE, LONGEST_RUN, LONGEST_BOOT = 160, 64, 32
LARGEST_CHUNK = LARGEST_MESSAGE - 24
"""Bytes of program or capability in one message of a frame of LARGEST_FRAME bytes."""

Sequence = Annotated[int, whole(1, 2**32 - 1)]
Unsolicited = Annotated[int, whole(0, 2**32 - 1)]
Nonce = Annotated[int, whole(0, 2**32 - 1)]
Count = Annotated[int, whole()]
Size = Annotated[int, whole(0, 2**24)]
Clock = Annotated[float, number(0.0)]
Run = Annotated[str, identifier(LONGEST_RUN)]
Boot = Annotated[str, identifier(LONGEST_BOOT)]
Sentence = Annotated[str, text(LONGEST_SENTENCE)]

_ACTIVITY, _CELL, _OUTCOME = numbered(ACTIVITY_NUMBERS), numbered(CELL_NUMBERS), optional(numbered(OUTCOME_NUMBERS))
_SECONDS, _MEASURED = number(0.0), optional(number())
_IDENTITY = record(Identity, dict.fromkeys(("maker", "model", "serial", "firmware"), text(64)))
_STATUS = record(
    Status,
    {
        "activity": _ACTIVITY,
        "cell": _CELL,
        "boot": identifier(LONGEST_BOOT),
        "clock": _SECONDS,
        "run": optional(identifier(LONGEST_RUN)),
        "outcome": _OUTCOME,
        "detail": text(LONGEST_SENTENCE),
        "oldest": whole(),
        "next": whole(),
        "lost": whole(),
        "run_time": _SECONDS,
        "phase": whole(0, 255),
        "cycle": whole(0, 2**32 - 1),
        "silence": _SECONDS,
    },
)
_READING = record(
    Reading,
    {
        "cell": _CELL,
        "clock": _SECONDS,
        "potential": _MEASURED,
        "current": _MEASURED,
        "current_range": _MEASURED,
        "cell_voltage": _MEASURED,
        "temperature": _MEASURED,
        "battery": _MEASURED,
        "signal_strength": _MEASURED,
    },
)
_RECEIPT = record(Receipt, {"cell": _CELL, "detail": text(LONGEST_SENTENCE)})


@dataclass(frozen=True)
class Hello:
    """Host: opens a session.  `session` is a number drawn at random; the versions are the span that the host speaks."""

    TYPE: ClassVar[int] = 1
    session: Nonce
    lowest_version: Annotated[int, whole(1, 255)] = VERSION
    highest_version: Annotated[int, whole(1, 255)] = VERSION
    largest_frame: Annotated[int, whole(SMALLEST_LARGEST_FRAME, LARGEST_FRAME)] = LARGEST_FRAME


@dataclass(frozen=True)
class Welcome:
    """Instrument: answers Hello, repeating its `session`."""

    TYPE: ClassVar[int] = 2
    session: Nonce
    lowest_version: Annotated[int, whole(1, 255)]
    highest_version: Annotated[int, whole(1, 255)]
    largest_frame: Annotated[int, whole(SMALLEST_LARGEST_FRAME, LARGEST_FRAME)]
    boot: Boot
    clock: Clock
    identity: Annotated[Identity, _IDENTITY]
    capability_size: Size
    capability_checksum: Annotated[int, whole(0, 2**32 - 1)]


@dataclass(frozen=True)
class AskCapability:
    """Host: asks for a piece of the encoded capability from byte `offset` on.  Answer: Chunk."""

    TYPE: ClassVar[int] = 3
    sequence: Sequence
    offset: Size


@dataclass(frozen=True)
class AskStatus:
    """Host.  Answer: Report."""

    TYPE: ClassVar[int] = 4
    sequence: Sequence


@dataclass(frozen=True)
class AskReading:
    """Host: one look at the cell and the instrument.  Answer: ReadingReport."""

    TYPE: ClassVar[int] = 5
    sequence: Sequence


@dataclass(frozen=True)
class Upload:
    """Host: bytes of an encoded program for the place `offset`.  Ordered.  Answer: Done."""

    TYPE: ClassVar[int] = 6
    sequence: Sequence
    offset: Size
    data: Annotated[bytes, data(1, LARGEST_CHUNK)]


@dataclass(frozen=True)
class Arm:
    """Host: check and load the uploaded program of `size` bytes whose SHA-256 is `digest`.  Ordered.  Answer: Done."""

    TYPE: ClassVar[int] = 7
    sequence: Sequence
    run: Run
    size: Size
    digest: Annotated[bytes, data(32, 32)]


@dataclass(frozen=True)
class Start:
    """Host: execute the armed program; `clock` is the newest instrument clock it knows.  Ordered.  Answer: Done."""

    TYPE: ClassVar[int] = 8
    sequence: Sequence
    run: Run
    clock: Clock


@dataclass(frozen=True)
class Hold:
    """Host: pause where the program next allows it.  Ordered.  Answer: Done."""

    TYPE: ClassVar[int] = 9
    sequence: Sequence


@dataclass(frozen=True)
class Unhold:
    """Host: go on; `clock` as with Start.  Ordered.  Answer: Done."""

    TYPE: ClassVar[int] = 10
    sequence: Sequence
    clock: Clock


@dataclass(frozen=True)
class Stop:
    """Host: end in order.  Ordered.  Answer: Done."""

    TYPE: ClassVar[int] = 11
    sequence: Sequence


@dataclass(frozen=True)
class CellOff:
    """Host: open the cell now.  Obeyed in every state, with or without a session.  Answer: OffReceipt."""

    TYPE: ClassVar[int] = 12
    sequence: Sequence


@dataclass(frozen=True)
class Acknowledge:
    """Host: points of `run` with an index below `after` are durable.  Answer: Done."""

    TYPE: ClassVar[int] = 13
    sequence: Sequence
    run: Run
    after: Count


@dataclass(frozen=True)
class Replay:
    """Host: send points of `run` from index `first` on.  Answer: ReplayFrom."""

    TYPE: ClassVar[int] = 14
    sequence: Sequence
    run: Run
    first: Count


@dataclass(frozen=True)
class KeepAlive:
    """Host: the newest instrument clock it had heard when all was well.  Feeds the dead-man timer.  Answer: Report."""

    TYPE: ClassVar[int] = 15
    sequence: Sequence
    clock: Clock


@dataclass(frozen=True)
class Done:
    """Instrument: the request was carried out."""

    TYPE: ClassVar[int] = 16
    sequence: Sequence


@dataclass(frozen=True)
class Refusal:
    """Instrument: the request was not carried out; the sentence is for people."""

    TYPE: ClassVar[int] = 17
    sequence: Sequence
    code: Annotated[Code, numbered(CODE_NUMBERS)]
    sentence: Sentence


@dataclass(frozen=True)
class Chunk:
    """Instrument: bytes of its encoded capability at `offset`."""

    TYPE: ClassVar[int] = 18
    sequence: Sequence
    offset: Size
    data: Annotated[bytes, data(1, LARGEST_CHUNK)]


@dataclass(frozen=True)
class Report:
    """Instrument: its status, as an answer or (`sequence` 0) by itself after a change.

    `sent` is the index after the last point that went on the line before this message.
    """

    TYPE: ClassVar[int] = 19
    sequence: Unsolicited
    sent: Count
    status: Annotated[Status, _STATUS]


@dataclass(frozen=True)
class ReadingReport:
    """Instrument: a reading."""

    TYPE: ClassVar[int] = 20
    sequence: Sequence
    reading: Annotated[Reading, _READING]


@dataclass(frozen=True)
class OffReceipt:
    """Instrument: what the read-back said after CellOff."""

    TYPE: ClassVar[int] = 21
    sequence: Sequence
    receipt: Annotated[Receipt, _RECEIPT]


@dataclass(frozen=True)
class ReplayFrom:
    """Instrument: points follow from index `first` on, the one asked for or else the oldest still held."""

    TYPE: ClassVar[int] = 22
    sequence: Sequence
    first: Count


@dataclass(frozen=True)
class Points:
    """Instrument: consecutive points.  On the line [23, run, boot, first, count, time, columns].

    `even` is set where the times are evenly spaced and only their rule is sent; `batch` has them all the same.
    """

    TYPE: ClassVar[int] = 23
    batch: Batch
    even: Even | None = field(default=None, compare=False)


Request = (
    AskCapability | AskStatus | AskReading | Upload | Arm | Start | Hold | Unhold | Stop | CellOff
    | Acknowledge | Replay | KeepAlive
)  # fmt: skip
ORDERED = (Upload, Arm, Start, Hold, Unhold, Stop)
"""Requests that change what the instrument does: executed once at most, and never after a later one or CellOff."""
Answer = Done | Refusal | Chunk | Report | ReadingReport | OffReceipt | ReplayFrom
FromHost = Hello | Request
FromInstrument = Welcome | Answer | Points
Message = FromHost | FromInstrument

_CLASSES: tuple[type[Any], ...] = (
    Hello, Welcome, AskCapability, AskStatus, AskReading, Upload, Arm, Start, Hold, Unhold, Stop, CellOff, Acknowledge,
    Replay, KeepAlive, Done, Refusal, Chunk, Report, ReadingReport, OffReceipt, ReplayFrom, Points,
)  # fmt: skip
_BY_TYPE = {each.TYPE: each for each in _CLASSES}
_POINTS_HEAD = {
    "run": identifier(LONGEST_RUN),
    "boot": identifier(LONGEST_BOOT),
    "first": whole(0, LARGEST_COUNT - MOST_POINTS),
}


@cache
def _kind(message: type[Any]) -> Kind:
    hints = get_type_hints(message, include_extras=True)
    return record(message, {n: h.__metadata__[0] for n, h in hints.items() if hasattr(h, "__metadata__")})


def encode(message: Message) -> bytes:
    """Bytes of a message, to be put into a frame.  Raises ValueError when a field is not what its kind allows."""
    if isinstance(message, Points):
        fields = _write_points(message)
    else:
        kind = _kind(type(message))
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
    item = cbor.load(message, MOST_DEPTH)
    if type(item) is not list or not item or type(item[0]) is not int:
        raise MessageError("a message is an array that begins with its type number")
    kind, *fields = item
    sequence = fields[0] if fields and type(fields[0]) is int and 0 < fields[0] < 2**32 else None
    if kind not in _BY_TYPE:
        raise MessageError(f"there is no message of type {repr(kind)[:40]}", sequence)
    try:
        if kind == Points.TYPE:
            return _read_points(fields)
        found: Message = _kind(_BY_TYPE[kind]).read(fields)
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
