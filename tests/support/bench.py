"""A simulated instrument without a line, in a time that tests make: programs, and a way to carry them out."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from luggin.protocol.instrument import Activity, Status
from luggin.protocol.link.documents import program_digest, write_program
from luggin.protocol.points import Array, Batch
from luggin.protocol.program import AnySegment, Block, Hold, Limit, Limits, Open, Program, Ramp, Sine
from luggin.sim.device import Device
from luggin.sim.settings import Settings
from luggin.sim.trouble import Trouble

WIDE = Limits(potential=Limit(low=-5.0, high=5.0), duration=1e6)
RUN = "run-1"


def hold(level: float, duration: float, period: float | None = 0.1, **more: Any) -> Hold:
    return Hold(level=level, duration=duration, period=period, **more)


def ramp(start: float | None, end: float, rate: float, period: float | None, **more: Any) -> Ramp:
    return Ramp(start=start, end=end, rate=rate, period=period, **more)


def rest(duration: float, period: float | None = 0.1, **more: Any) -> Open:
    return Open(duration=duration, period=period, **more)


def sine(*frequencies: float, **more: Any) -> Sine:
    """2 cycles settle, 3 are evaluated, 10 mV about 0 V, unless told otherwise."""
    usual = {"period": None, "bias": 0.0, "amplitude": 0.01, "settle_cycles": 2, "measure_cycles": 3}
    return Sine(**{**usual, "frequencies": frequencies, **more})


def block(*segments: AnySegment, **more: Any) -> Block:
    return Block(**{"phase": 0, "segments": segments, **more})


def program(*parts: AnySegment | Block, **more: Any) -> Program:
    """A program of blocks, or of segments that make one block, with wide limits unless others are given."""
    blocks = [part for part in parts if isinstance(part, Block)]
    if not blocks:
        blocks = [block(*(part for part in parts if not isinstance(part, Block)))]
    return Program(**{"technique": "test", "blocks": blocks, "limits": WIDE, **more})


class RecordingLog:
    """The events of a run in order."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []
        self.events: list[tuple[float, str, object]] = []

    def points(self, batch: Batch) -> None:
        self.batches.append(batch)

    def event(self, run: str, time: float, what: str, value: object) -> None:
        self.events.append((time, what, value))


class Bench:
    """A device whose real time runs as the test says, at the speed of its settings."""

    def __init__(
        self, cell: str | dict[str, Any] = "dummy-r-rc", trouble: Trouble | None = None, **settings: Any
    ) -> None:
        self.log = RecordingLog()
        self.trouble = trouble or Trouble()
        self.now = 1000.0
        made = Settings.parse({"cell": cell, **settings})
        self.device = Device(made, _boots().__next__, self.now, self.trouble, self.log)
        self.speed = made.speed

    def load(self, wanted: Program, run: str = RUN) -> None:
        encoded = write_program(wanted)
        self.device.upload(0, encoded)
        self.device.arm(run, len(encoded), program_digest(encoded))

    def start(self, wanted: Program, run: str = RUN) -> None:
        self.load(wanted, run)
        self.device.start(run, self.device.clock(self.now), self.now)

    def pass_time(self, seconds: float, most: int = 512, fed: bool = True) -> None:
        """Let real time pass, waking the device when it wants to be; `fed` keeps its dead-man timer quiet."""
        until = self.now + seconds
        while True:
            if fed:
                self.device.keep_alive(self.device.clock(self.now), self.now)
            self.device.advance(self.now, most)
            due = self.device.wakeup(self.now)
            if due is not None and due <= self.now:
                continue
            if self.now >= until:
                return
            self.now = until if due is None else min(due, until, self.now + 1.0)

    def finish(self, most: int = 512) -> Status:
        """Let time pass until the program has ended."""
        while self.device.activity is not Activity.ENDED:
            self.pass_time(1.0, most)
        return self.status()

    def run(self, wanted: Program, run: str = RUN) -> dict[str, Array]:
        """Carry out a whole program; returns its points."""
        self.start(wanted, run)
        self.finish()
        return self.points()

    def status(self) -> Status:
        return self.device.status(self.now)

    def points(self) -> dict[str, Array]:
        """All points that are held, by column."""
        buffer = self.device.buffer
        assert buffer is not None
        parts, first = [], buffer.oldest
        while first < buffer.next:
            part = buffer.batch(first, buffer.next)[0]
            parts.append(part.columns)
            first = part.after
        return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]} if parts else {}


def _boots() -> Iterator[str]:
    number = 0
    while True:
        number += 1
        yield f"boot-{number}"
