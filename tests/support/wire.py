"""Two ends of the link joined by a wire that loses, delays, cuts and garbles, in a time of its own."""

import random
from collections.abc import Callable
from dataclasses import dataclass

from luggin.protocol.link.arrivals import News
from luggin.protocol.link.host import Answered, Arrived, Event, Failed, Host, Lost, Opened
from luggin.protocol.link.message import Answer, Request
from luggin.protocol.link.requests import Failure, Timing
from support.paper_instrument import PaperInstrument

STEP = 0.005


@dataclass(frozen=True)
class Quality:
    """What the wire does to each frame, in either direction.  `piece` is the size of what arrives at once."""

    loss: float = 0.0
    garble: float = 0.0
    delay: float = 0.0
    piece: int = 512


class Bench:
    """A host, a paper instrument and a wire; `until` lets time pass."""

    def __init__(
        self, instrument: PaperInstrument, quality: Quality = Quality(), seed: int = 1, timing: Timing | None = None
    ) -> None:  # fmt: skip
        self.now = 0.0
        self.instrument, self.quality = instrument, quality
        self._random = random.Random(seed)
        self._to_instrument: list[tuple[float, bytes]] = []
        self._to_host: list[tuple[float, bytes]] = []
        self.connected = True
        self.connect(timing)

    def connect(self, timing: Timing | None = None) -> None:
        """A new host on the same instrument, as after a restart of the program."""
        self.host = Host(self._random.getrandbits(32), self.now, timing)
        self._to_host.clear()
        self.answers: dict[int, Answer] = {}
        self.failures: dict[int, Failure] = {}
        self.news: list[News] = []
        self.lost: Lost | None = None
        self.opened: Opened | None = None
        self.until(lambda: self.opened is not None or self.lost is not None)

    def ask(self, request: Request) -> int:
        ticket, events = self.host.request(request, self.now)
        self._take(events)
        return ticket

    def answer(self, request: Request) -> Answer:
        """Ask and wait for the answer."""
        ticket = self.ask(request)
        self.until(lambda: ticket in self.answers or ticket in self.failures)
        return self.answers[ticket]

    def until(self, done: Callable[[], bool], longest: float = 120.0) -> None:
        """Let time pass until `done`; AssertionError when that takes longer than `longest` seconds."""
        end = self.now + longest
        while not done():
            assert self.now < end, "the exchange has stalled"
            self.step()

    def step(self) -> None:
        self.now += STEP
        if self.lost is None:
            self._take(self.host.tick(self.now))
            while frame := self.host.next_frame(self.now):
                self._put(self._to_instrument, frame)
        for data in self._due(self._to_instrument):
            self.instrument.receive(data, self.now)
        self.instrument.advance(self.now)
        while frame := self.instrument.next_frame():
            self._put(self._to_host, frame)
        for data in self._due(self._to_host):
            self._take(self.host.receive(data, self.now))
        self.host.next_tick()

    def _put(self, line: list[tuple[float, bytes]], frame: bytes) -> None:
        if not self.connected or self._random.random() < self.quality.loss:
            return
        if self._random.random() < self.quality.garble:
            place = self._random.randrange(len(frame))
            frame = frame[:place] + bytes([frame[place] ^ self._random.randrange(1, 256)]) + frame[place + 1 :]
        line.append((self.now + self.quality.delay, frame))

    def _due(self, line: list[tuple[float, bytes]]) -> list[bytes]:
        arrived = b"".join(data for due, data in line if due <= self.now)
        line[:] = [each for each in line if each[0] > self.now]
        size = self.quality.piece
        return [arrived[start : start + size] for start in range(0, len(arrived), size)]

    def _take(self, events: list[Event]) -> None:
        for event in events:
            match event:
                case Opened():
                    self.opened = event
                case Answered(ticket, answer):
                    self.answers[ticket] = answer
                case Failed(ticket, failure):
                    self.failures[ticket] = failure
                case Arrived(news):
                    self.news.append(news)
                case Lost():
                    self.lost = event
