"""The instrument's end of the link: requests in, answers out, by the rules of protocol/link/LINK.md."""

from luggin.protocol.link import frame
from luggin.protocol.link.codec import decode, encode
from luggin.protocol.link.documents import capability_checksum, write_capability
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.message import (
    LARGEST_CHUNK,
    ORDERED,
    VERSION,
    Acknowledge,
    Answer,
    Arm,
    AskCapability,
    AskReading,
    AskStatus,
    CellOff,
    Chunk,
    Done,
    Hello,
    Hold,
    KeepAlive,
    Message,
    OffReceipt,
    ReadingReport,
    Refusal,
    Replay,
    ReplayFrom,
    Report,
    Request,
    Start,
    Stop,
    Unhold,
    Upload,
    Welcome,
)
from luggin.protocol.link.numbers import Code
from luggin.protocol.link.records import sentence
from luggin.sim.device import Device
from luggin.sim.news import News
from luggin.sim.refused import Refused

REMEMBERED = 8
MOST_WAITING = 16


class Dialogue:
    """One device's conversation with whoever holds the other end of the line."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._capability = write_capability(device.capability)
        self._decoder = frame.Decoder()
        self._session: int | None = None
        self._room = frame.LARGEST_MESSAGE
        self._mark = 0
        self._remembered: dict[int, Answer] = {}
        self._receipts: dict[int, Message] = {}
        self._answers: dict[int, Message] = {}  # by sequence: a request that is repeated waits once
        self._news = News(device)

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes from the line and act on what is complete."""
        for each in self._decoder.feed(data):
            try:
                message = decode(each)
            except MessageError as error:
                if error.sequence is not None and self._session is not None:
                    self._answer(Refusal(error.sequence, Code.NOT_UNDERSTOOD, sentence(str(error))))
                continue
            if isinstance(message, Hello):
                self._hello(message, now)
            elif isinstance(message, Request):
                self._request(message, now)

    def frame(self, now: float) -> bytes:
        """The next frame for the line, cut when the line is free for it; empty when there is nothing to say."""
        for waiting in (self._receipts, self._answers):
            if waiting:
                message = waiting.pop(next(iter(waiting)))
                if isinstance(message, Report):
                    # What went out ahead of it is known only now.
                    message = Report(message.sequence, self._news.sent, self._device.status(now))
                return frame.encode(encode(message))
        news = None if self._session is None else self._news.next(now, self._room)
        return b"" if news is None else frame.encode(encode(news))

    def wakeup(self) -> float | None:
        """When `frame` will have something that it has not now, if nothing else happens."""
        return None if self._session is None else self._news.wakeup()

    # Session and requests

    def _hello(self, hello: Hello, now: float) -> None:
        if hello.session != self._session:
            self._session, self._mark = hello.session, 0
            self._room = frame.room(hello.largest_frame)
            self._remembered.clear()
            self._receipts.clear()
            self._answers.clear()
            self._news.pause()
        device = self._device
        self._answers[0] = Welcome(
            session=hello.session,
            lowest_version=VERSION,
            highest_version=VERSION,
            largest_frame=frame.LARGEST_FRAME,
            boot=device.boot,
            clock=device.clock(now),
            identity=device.capability.identity,
            capability_size=len(self._capability),
            capability_checksum=capability_checksum(self._capability),
        )

    def _request(self, request: Request, now: float) -> None:
        sequence = request.sequence
        if isinstance(request, CellOff):
            self._mark = max(self._mark, sequence)
            self._receipts[sequence] = OffReceipt(sequence, self._device.cell_off())
        elif self._session is None:
            self._answer(Refusal(sequence, Code.NO_SESSION, "the instrument was restarted; begin with a hello"))
        elif isinstance(request, ORDERED):
            self._answer(self._in_order(request, now))
        else:
            self._answer(self._carried_out(request, now))

    def _in_order(self, request: Request, now: float) -> Answer:
        sequence = request.sequence
        if sequence <= self._mark:
            late = Refusal(sequence, Code.STALE, "a later request was carried out before this one")
            return self._remembered.get(sequence, late)
        self._mark = sequence
        answer = self._remembered[sequence] = self._carried_out(request, now)
        if len(self._remembered) > REMEMBERED:
            del self._remembered[min(self._remembered)]
        return answer

    def _answer(self, answer: Answer) -> None:
        self._answers[answer.sequence] = answer
        if len(self._answers) > MOST_WAITING:
            del self._answers[next(iter(self._answers))]

    def _carried_out(self, request: Request, now: float) -> Answer:
        try:
            return self._do(request, now)
        except Refused as refused:
            return Refusal(request.sequence, refused.code, sentence(str(refused)))

    def _do(self, request: Request, now: float) -> Answer:
        device, sequence = self._device, request.sequence
        match request:
            case AskStatus():
                return Report(sequence, self._news.sent, device.status(now))
            case KeepAlive(clock=clock):
                device.keep_alive(clock, now)
                return Report(sequence, self._news.sent, device.status(now))
            case AskReading():
                return ReadingReport(sequence, device.reading(now))
            case AskCapability(offset=offset):
                piece = self._capability[offset : offset + min(LARGEST_CHUNK, self._room - _CHUNK_HEAD)]
                if not piece:
                    raise Refused(Code.OUT_OF_RANGE, f"the capability has {len(self._capability)} bytes, not {offset}")
                return Chunk(sequence, offset, piece)
            case Replay(run=run, first=first):
                return ReplayFrom(sequence, self._news.send_from(run, first))
            case Upload(offset=offset, data=data):
                device.upload(offset, data)
            case Arm(run=run, size=size, digest=digest):
                device.arm(run, size, digest)
            case Start(run=run, clock=clock):
                device.start(run, clock, now)
                self._news.send_from(run, 0)
            case Hold():
                device.hold()
            case Unhold(clock=clock):
                device.unhold(clock, now)
            case Stop():
                device.stop()
            case Acknowledge(run=run, after=after):
                device.acknowledge(run, after)
            case _:
                raise AssertionError(f"{type(request).__name__} is answered elsewhere")
        return Done(sequence)


_CHUNK_HEAD = 24
