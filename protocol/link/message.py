"""The messages of the link, both ways: one frozen dataclass each, on the line an array [type, fields in order].

Requests go from host to instrument and carry a sequence number that grows by one with each new request of a session;
the instrument gives each of them exactly one answer with the same number.  `LINK.md` states the rules.
"""

from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar

from luggin.protocol.capability import Identity
from luggin.protocol.instrument import Reading, Receipt, Status
from luggin.protocol.link.columns import Even
from luggin.protocol.link.frame import LARGEST_FRAME, LARGEST_MESSAGE, SMALLEST_LARGEST_FRAME
from luggin.protocol.link.kinds import data, identifier, number, numbered, text, whole
from luggin.protocol.link.numbers import CODE_NUMBERS, Code
from luggin.protocol.link.records import (
    IDENTITY,
    LONGEST_BOOT,
    LONGEST_RUN,
    LONGEST_SENTENCE,
    READING,
    RECEIPT,
    STATUS,
)
from luggin.protocol.points import Batch

VERSION = 1
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
    identity: Annotated[Identity, IDENTITY]
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
    status: Annotated[Status, STATUS]


@dataclass(frozen=True)
class ReadingReport:
    """Instrument: a reading."""

    TYPE: ClassVar[int] = 20
    sequence: Sequence
    reading: Annotated[Reading, READING]


@dataclass(frozen=True)
class OffReceipt:
    """Instrument: what the read-back said after CellOff."""

    TYPE: ClassVar[int] = 21
    sequence: Sequence
    receipt: Annotated[Receipt, RECEIPT]


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

MESSAGES: tuple[type[Any], ...] = (
    Hello, Welcome, AskCapability, AskStatus, AskReading, Upload, Arm, Start, Hold, Unhold, Stop, CellOff, Acknowledge,
    Replay, KeepAlive, Done, Refusal, Chunk, Report, ReadingReport, OffReceipt, ReplayFrom, Points,
)  # fmt: skip
