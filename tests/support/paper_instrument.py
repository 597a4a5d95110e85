"""An instrument that exists on paper only: it keeps every rule of the link and measures numbers that are made up.

Sans I/O: bytes and time go in, frames come out.  A "program" here makes one point each `period` of its first segment
for as long as that lasts; nothing else of it is carried out.
"""

from typing import NamedTuple

import numpy as np

from luggin.protocol.capability import Capability, Identity
from luggin.protocol.instrument import Activity, Cell, Outcome, Reading, Receipt, Status
from luggin.protocol.link import codec, documents, frame, message
from luggin.protocol.link.columns import Even
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.numbers import Code
from luggin.protocol.points import Batch, batch
from luggin.protocol.program import Block, Hold, Limit, Limits, Program

CAPABILITY = Capability(
    identity=Identity(maker="Paper Works", model="PW-1", serial="7", firmware="1.0"),
    segments=("open", "hold", "ramp"),
    controls=("potential",),
    potential_low=-2.0,
    potential_high=2.0,
    compliance=5.0,
    current_ranges=(1e-6, 1e-3),
    fastest_period=1e-5,
    steepest_sweep=10.0,
    streamed_rate=1e5,
    buffer=1_000_000,
    columns=("time", "phase", "cycle", "potential", "current", "flags"),
    floating=True,
    dead_man=True,
    largest_program=8192,
)


def program(count: int, period: float) -> Program:
    """One hold that makes `count` points."""
    hold = Hold(period=period, level=0.1, duration=count * period)
    limits = Limits(potential=Limit(low=-1.0, high=1.0), duration=count * period + 60.0)
    return Program(technique="chronoamperometry", blocks=(Block(phase=0, segments=(hold,)),), limits=limits)


def points(run: str, boot: str, first: int, after: int, period: float) -> Batch:
    """The points that the instrument makes, whoever asks for them and however they are cut."""
    index = np.arange(first, after)
    columns = {
        "time": 0.0 + period * (index + 1),
        "phase": np.zeros(len(index)),
        "cycle": np.ones(len(index)),
        "potential": 0.1 + 1e-6 * index,
        "current": np.sin(index * 0.1) * 1e-6,
        "flags": np.zeros(len(index)),
    }
    return batch(run, boot, first, columns)


class _Hold(NamedTuple):
    period: float
    duration: float


class PaperInstrument:
    def __init__(self, boot: str = "boot-1", largest_frame: int = frame.LARGEST_FRAME) -> None:
        self.boot, self.largest_frame = boot, largest_frame
        self.versions = (1, 1)
        self.activity, self.cell = Activity.IDLE, Cell.OFF
        self.outcome: Outcome | None = None
        self.run: str | None = None
        self.oldest = self.next = self.sent = self.lost = 0
        self.starts = 0
        self.heard: list[message.Message] = []
        self.stuck_relay = False
        self.buffer = CAPABILITY.buffer
        self._capability = documents.write_capability(CAPABILITY)
        self._decoder = frame.Decoder()
        self._answers: list[bytes] = []
        self._session: int | None = None
        self._mark = 0
        self._remembered: dict[int, bytes] = {}
        self._streaming = False
        self._uploaded = bytearray()
        self._program: Program | None = None
        self._started = self._now = 0.0
        self._told: tuple[object, ...] | None = None

    # The line

    def receive(self, data: bytes, now: float) -> None:
        self.advance(now)
        for content in self._decoder.feed(data):
            try:
                heard = codec.decode(content)
            except MessageError as error:
                if error.sequence:
                    self._refuse(error.sequence, Code.NOT_UNDERSTOOD, str(error)[:100])
                continue
            self.heard.append(heard)
            self._hear(heard)

    def advance(self, now: float) -> None:
        """Make the points that are due."""
        self._now = now
        if self.activity is Activity.RUNNING:
            assert self._program is not None
            count = round(self._hold.duration / self._hold.period)
            self.next = min(count, int((now - self._started) / self._hold.period + 1e-9))
            overwritten = self.next - self.buffer - self.oldest
            if overwritten > 0:
                self.lost += overwritten
                self.oldest += overwritten
            if self.next == count:
                self._end(Outcome.COMPLETED)

    def next_frame(self) -> bytes | None:
        """What goes on the line next: answers, then a status that changed, then points."""
        if self._answers:
            return self._answers.pop(0)
        if self._session is None:
            return None
        if self._told != self._changes():
            self._told = self._changes()
            return self._framed(message.Report(0, self.sent, self.status()))
        self.sent = max(self.sent, self.oldest)
        if self._streaming and self.run is not None and self.sent < self.next and self.ready():
            made = self.made(self.run, self.sent, min(self.next, self.sent + 512))
            fitting = codec.points_that_fit(made, Even(0.0, self._hold.period, self.sent + 1))
            self.sent = fitting.batch.after
            return self._framed(fitting)
        return None

    def ready(self) -> bool:
        """Whether points go on the line that don't fill a frame."""
        return True

    def made(self, run: str, first: int, after: int) -> Batch:
        return points(run, self.boot, first, after, self._hold.period)

    def status(self) -> Status:
        return Status(
            self.activity, self.cell, self.boot, self._now, self.run, self.outcome,
            oldest=self.oldest, next=self.next, lost=self.lost, run_time=self.next * 1.0,
        )  # fmt: skip

    def restart(self) -> None:
        """Power off and on."""
        self.__init__("boot-2")  # type: ignore[misc]

    # Requests

    def _hear(self, heard: message.Message) -> None:
        if isinstance(heard, message.Hello):
            self._hello(heard)
            return
        assert not isinstance(heard, message.FromInstrument)
        sequence = heard.sequence
        if isinstance(heard, message.CellOff):
            self._mark = max(self._mark, sequence)
            self._answer(message.OffReceipt(sequence, self._off()), first=True)
        elif self._session is None:
            self._refuse(sequence, Code.NO_SESSION, "say hello first")
        elif not isinstance(heard, message.ORDERED):
            self._carry_out(heard)
        elif sequence > self._mark:
            self._mark = sequence
            before = len(self._answers)
            self._carry_out(heard)
            self._remembered[sequence] = self._answers[before]
        elif sequence in self._remembered:
            self._answers.append(self._remembered[sequence])
        else:
            self._refuse(sequence, Code.STALE, "overtaken")

    def _hello(self, hello: message.Hello) -> None:
        if hello.session != self._session:
            self._answers.clear()
            self._remembered.clear()
            self._mark, self._streaming = 0, False
            self._session = hello.session
            self._told = self._changes()
        encoded = self._capability
        checksum = documents.capability_checksum(encoded)
        identity = CAPABILITY.identity
        welcome = message.Welcome(
            hello.session, *self.versions, self.largest_frame, self.boot, self._now, identity, len(encoded), checksum
        )
        self._answer(welcome)

    def _carry_out(self, heard: message.Request) -> None:
        done = message.Done(heard.sequence)
        match heard:
            case message.AskCapability(sequence, offset):
                self._answer(message.Chunk(sequence, offset, self._capability[offset : offset + 100]))
            case message.AskStatus(sequence) | message.KeepAlive(sequence):
                self._answer(message.Report(sequence, self.sent, self.status()))
            case message.AskReading(sequence):
                self._answer(message.ReadingReport(sequence, Reading(self.cell, self._now, potential=0.1)))
            case message.Upload(_, offset, data):
                self._uploaded[offset : offset + len(data)] = data
                self._answer(done)
            case message.Arm():
                self._arm(heard)
            case message.Start(sequence, run, clock):
                if self.activity is not Activity.ARMED or run != self.run:
                    self._refuse(sequence, Code.WRONG_STATE, "not armed with this run")
                elif not 0 <= self._now - clock <= 5.0:
                    self._refuse(sequence, Code.STALE, "the quoted clock is too old")
                else:
                    self.activity, self.cell, self.starts = Activity.RUNNING, Cell.ON, self.starts + 1
                    self._started, self._streaming = self._now, True
                    self._answer(done)
            case message.Acknowledge(_, _, after):
                self.oldest = max(self.oldest, min(after, self.next))
                if self.activity is Activity.ENDED and self.oldest == self.next:
                    self.activity = Activity.IDLE
                self._answer(done)
            case message.Replay(sequence, run, first):
                if run != self.run or first > self.next:
                    self._refuse(sequence, Code.OUT_OF_RANGE, "no such points")
                else:
                    self.sent, self._streaming = max(first, self.oldest), True
                    self._answer(message.ReplayFrom(sequence, self.sent))
            case message.Stop(sequence):
                if self.activity is Activity.RUNNING:
                    self._end(Outcome.STOPPED)
                    self._answer(done)
                else:
                    self._refuse(sequence, Code.WRONG_STATE, "nothing runs")
            case message.Hold(sequence) | message.Unhold(sequence):
                self._refuse(sequence, Code.HOLD_NOT_ALLOWED, "this program never pauses")

    def _arm(self, arm: message.Arm) -> None:
        encoded = bytes(self._uploaded[: arm.size])
        if self.oldest < self.next or self.activity is Activity.RUNNING:
            self._refuse(arm.sequence, Code.POINTS_HELD, "acknowledge first")
        elif documents.program_digest(encoded) != arm.digest:
            self._refuse(arm.sequence, Code.WRONG_HASH, "not the program that was meant")
        else:
            self._program = documents.read_program(encoded)
            self.activity, self.outcome, self.run = Activity.ARMED, None, arm.run
            self.oldest = self.next = self.sent = self.lost = 0
            self._answer(message.Done(arm.sequence))

    @property
    def _hold(self) -> "_Hold":
        assert self._program is not None
        hold = self._program.blocks[0].segments[0]
        assert isinstance(hold, Hold)
        assert hold.period is not None
        return _Hold(hold.period, hold.duration)

    def _off(self) -> Receipt:
        if self.activity is Activity.RUNNING:
            self._end(Outcome.OFF)
        elif self.activity is Activity.ARMED:
            self.activity = Activity.IDLE
        if self.stuck_relay:
            self.cell = Cell.UNKNOWN
            return Receipt(Cell.UNKNOWN, "the relay reads on")
        self.cell = Cell.OFF
        return Receipt(Cell.OFF)

    def _end(self, outcome: Outcome) -> None:
        self.activity, self.outcome, self.cell = Activity.ENDED, outcome, Cell.OFF

    def _changes(self) -> tuple[object, ...]:
        return self.activity, self.cell, self.run, self.outcome

    def _refuse(self, sequence: int, code: Code, sentence: str) -> None:
        self._answer(message.Refusal(sequence, code, sentence))

    def _answer(self, answer: message.Message, first: bool = False) -> None:
        self._answers.insert(0 if first else len(self._answers), self._framed(answer))

    def _framed(self, each: message.Message) -> bytes:
        return frame.encode(codec.encode(each))
