"""Instruments on paper that stream over real serial lines, in a process of their own, and note when what was on a line.

usage: streaming.py NUMBER EVERY [INDEX]; points go on a line each EVERY seconds, or when they fill a frame; with an
INDEX, the point of this index of each run of the first instrument is far beyond any limit.  It prints one JSON object
a line: first where the instruments are, then what happened on the lines.  All times are of the machine's monotonic
clock.  It ends when its stdin does.
"""

import asyncio
import json
import sys
import time
from typing import Any

import numpy as np

from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Receipt
from luggin.protocol.link import documents, message
from luggin.protocol.points import Batch
from luggin.sim.pty_stream import PtyStream
from support import paper_instrument
from support.paper_instrument import PaperInstrument
from support.served import Served

CAPABILITY: Capability = paper_instrument.CAPABILITY.model_copy(
    update={"fastest_period": 1e-6, "streamed_rate": 1e6, "buffer": 20_000_000}
)
FULL = 100
BEYOND = 3.0
"""V; what a point beyond the limits has for its potential."""


class Streaming(PaperInstrument):
    def __init__(self, number: int, every: float, tripping: int | None) -> None:
        super().__init__(boot=f"boot-{number}")
        self.number, self.every, self.tripping = number, every, tripping
        self._due = 0.0
        self.buffer = CAPABILITY.buffer
        self._capability = documents.write_capability(CAPABILITY)
        self._frames: list[tuple[float, int]] = []
        self._tripped: float | None = None

    def ready(self) -> bool:
        due = self._now >= self._due or self.next - self.sent >= FULL or self._tripping_now()
        if due:
            self._due = self._now + self.every
        return due

    def _tripping_now(self) -> bool:
        return self.tripping is not None and self.sent <= self.tripping < self.next

    def made(self, run: str, first: int, after: int) -> Batch:
        whole = super().made(run, first, after)
        if self.tripping is None or not first <= self.tripping < after:
            return whole
        if first < self.tripping:
            return super().made(run, first, self.tripping)
        alone = super().made(run, first, first + 1)
        return Batch(run, self.boot, first, {**alone.columns, "potential": np.full(1, BEYOND)})

    def next_frame(self) -> bytes | None:
        before = self.sent
        frame = super().next_frame()
        if frame is not None and self.sent > before:
            now = time.monotonic()
            self._frames.append((now, self.sent))
            if before == self.tripping:
                self._tripped = now
        return frame

    def _off(self) -> Receipt:
        if self._tripped is not None:
            self._say(event="off", after=time.monotonic() - self._tripped)
            self._tripped = None
        return super()._off()

    def _carry_out(self, heard: message.Request) -> None:
        super()._carry_out(heard)
        match heard:
            case message.Start():
                self._frames = []
            case message.Acknowledge(_, run, after) if after and after == self.next and self._frames:
                self._say(event="durable", run=run, at=time.monotonic(), frames=self._frames)
                self._frames = []

    def _say(self, **what: Any) -> None:
        sys.stdout.write(json.dumps({"instrument": self.number, **what}) + "\n")
        sys.stdout.flush()


async def main() -> None:
    count, every, *index = sys.argv[1:]
    tripping = int(index[0]) if index else None
    instruments = [Streaming(number, float(every), None if number else tripping) for number in range(int(count))]
    lines = [(PtyStream(), Served("pty", instrument)) for instrument in instruments]
    sys.stdout.write(json.dumps([terminal.path for terminal, _ in lines]) + "\n")
    sys.stdout.flush()
    serving = asyncio.gather(*(served.serve(terminal) for terminal, served in lines))
    await asyncio.to_thread(sys.stdin.read)
    serving.cancel()


if __name__ == "__main__":
    asyncio.run(main())
