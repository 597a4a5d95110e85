"""A host and a simulated instrument joined by a scripted line, in a time that tests make."""

from collections.abc import Iterator
from random import Random
from typing import Any

import numpy as np

from luggin.protocol.instrument import Activity, Status
from luggin.protocol.link import message
from luggin.protocol.link.documents import program_digest, write_program
from luggin.protocol.link.host import Answered, Arrived, Event, Host, Lost, Opened, Phase
from luggin.protocol.points import Array, Batch
from luggin.protocol.program import Program
from luggin.sim.faults import parse_fault
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings

RUN = "run-1"


class Wired:
    """`cut` draws how bytes are divided on their way, `most` how many samples are computed at once."""

    def __init__(self, *faults: str, cut: Random | None = None, most: int = 512, **settings: Any) -> None:
        self.now = 1000.0
        made = Settings.parse({"cell": "dummy-r-rc", **settings})
        self.rig = Rig(made, self.now, map(parse_fault, faults))
        self.rig.hang_up = self.connect
        self._cut, self._most = cut, most
        self._sessions = 0
        self.batches: list[Batch] = []
        self.statuses: list[Status] = []
        self.connect()

    def connect(self) -> None:
        """A new session; what was under way is lost."""
        self._sessions += 1
        self.rig.cut()
        self.host = Host(self._sessions, self.now)
        self._answers: dict[int, message.Answer] = {}
        self.opened: message.Welcome | None = None

    def status(self) -> Status:
        return self.rig.firmware.device.status(self.now)

    def exchange(self) -> None:
        """Let everything that is due now happen."""
        busy = True
        while busy:
            busy = False
            while (frame := self.host.next_frame(self.now)) is not None:
                for piece in self._pieces(frame):
                    self.rig.receive(piece, self.now)
                busy = True
            self.rig.work(self.now, self._most)
            while pieces := self.rig.send(self.now):
                for whole in pieces:
                    for piece in self._pieces(whole):
                        self._take(self.host.receive(piece, self.now))
                busy = True
            self._take(self.host.tick(self.now))

    def pass_time(self, seconds: float, step: float | None = None) -> None:
        """Let real time pass; without a `step` as fast as both ends want to be woken."""
        until = self.now + seconds
        while True:
            self.exchange()
            if self.now >= until:
                return
            due = self._due() if step is None else self.now + step
            self.now = min(max(due, self.now + 1e-6), until)

    def ask(self, request: message.Request, patience: float = 3.0) -> message.Answer:
        """Send a request and wait for its answer."""
        ticket, events = self.host.request(request, self.now)
        self._take(events)
        until = self.now + patience
        while ticket not in self._answers and self.now < until:
            self.exchange()
            if ticket not in self._answers:
                self.now = min(max(self._due(), self.now + 1e-6), until)
        return self._answers[ticket]

    def load(self, program: Program, run: str = RUN) -> message.Answer:
        self.wait_open()
        encoded = write_program(program)
        for offset in range(0, len(encoded), message.LARGEST_CHUNK):
            done = self.ask(message.Upload(0, offset, encoded[offset : offset + message.LARGEST_CHUNK]))
            assert isinstance(done, message.Done), done
        return self.ask(message.Arm(0, run, len(encoded), program_digest(encoded)))

    def start(self, program: Program, run: str = RUN) -> None:
        assert isinstance(self.load(program, run), message.Done)
        done = self.ask(message.Start(0, run, self.host.clock))
        assert isinstance(done, message.Done), done

    def wait_open(self) -> None:
        while self.host.phase is Phase.OPENING:
            self.exchange()
            self.now = max(self._due(), self.now + 1e-6)

    def resume(self, run: str = RUN) -> None:
        """After a new connection: fetch what is missing."""
        self.wait_open()
        first = self.batches[-1].after if self.batches else 0
        self.ask(message.Replay(0, run, first))

    def alive(self) -> None:
        """Say that all is well."""
        if self.host.phase is Phase.OPEN:
            self._take(self.host.request(message.KeepAlive(0, self.host.clock), self.now)[1])

    def finish(self, step: float | None = None) -> Status:
        """Let time pass until the host has heard that the run ended, and all of its points."""
        while not (self.statuses and self.statuses[-1].activity is Activity.ENDED):
            self.alive()
            self.pass_time(1.0, step)
            if self.host.phase is Phase.OPENING:
                self.resume()
        return self.statuses[-1]

    def columns(self) -> dict[str, Array]:
        """All points that the host heard of."""
        names = self.batches[0].columns
        return {name: np.concatenate([batch.columns[name] for batch in self.batches]) for name in names}

    def _due(self) -> float:
        times = (self.host.next_tick(), self.host.next_send(), self.rig.wakeup(self.now))
        return min((time for time in times if time is not None), default=self.now + 1.0)

    def _pieces(self, data: bytes) -> Iterator[bytes]:
        while self._cut is not None and len(data) > 1:
            at = self._cut.randrange(1, len(data) + 1)
            yield data[:at]
            data = data[at:]
        if data:
            yield data

    def _take(self, events: list[Event]) -> None:
        for event in events:
            match event:
                case Opened(welcome):
                    self.opened = welcome
                case Answered(ticket, answer):
                    self._answers[ticket] = answer
                case Arrived(Batch() as batch):
                    assert batch.first == (self.batches[-1].after if self.batches else 0)
                    self.batches.append(batch)
                case Arrived(Status() as status):
                    self.statuses.append(status)
                case Lost():
                    self.connect()
