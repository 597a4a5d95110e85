"""Keeps a rig going in real time: computes what is due in short slices, and serves whoever holds the line."""

import asyncio
import contextlib
from functools import partial
from time import thread_time
from typing import Protocol

from luggin.drivers.stream import ByteStream
from luggin.sim.executor.execution import MOST_AT_ONCE
from luggin.sim.rig import Rig
from luggin.sim.seat import Seat


class Clock(Protocol):
    """What tells the real monotonic time in s, such as an event loop."""

    def time(self) -> float: ...


SLICE = 2e-3
"""Seconds of computing after which the line is looked at again."""
_FEWEST, _FRAMES = 4, 8
_TURNS = 4
"""Turns of the event loop between two slices: enough for a request to be read, acted upon and answered."""


class Shell:
    """One rig, one connection at a time.

    Between connections `work` need not run: what the instrument did meanwhile is made up for, at the right times, when
    it runs again.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._most = 16
        self._due = asyncio.Event()
        self._to_send = asyncio.Event()
        self._seat = Seat()
        rig.hang_up = self._seat.vacate

    async def work(self) -> None:
        """Compute for ever."""
        loop = asyncio.get_running_loop()
        while True:
            self._due.clear()
            now = self.slice(loop)
            self._to_send.set()
            when, send = self._rig.work_due(now), self._rig.send_due()
            if when is not None and when <= now:
                for _ in range(_TURNS):
                    await asyncio.sleep(0)
                continue
            if send is not None and send > now:  # what is due already waits for the line, or for somebody at it
                when = send if when is None else min(when, send)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout_at(when):
                    await self._due.wait()

    async def catch_up(self) -> None:
        """Compute what is due by now, and return when that is done."""
        loop = asyncio.get_running_loop()
        until = loop.time()
        while (when := self._rig.work_due(self.slice(loop))) is not None and when <= until:  # noqa: ASYNC110
            await asyncio.sleep(0)

    async def attend(self, stream: ByteStream, begun: bytes = b"") -> None:
        """Serve a connection, of which the bytes `begun` were read already, until it ends; then close it.

        A connection that is served already is closed first.
        """
        await self._seat.occupy(stream, partial(self._read, stream, begun), partial(self._write, stream), self._rig.cut)

    def slice(self, loop: Clock) -> float:
        """Compute one slice; returns the time after it.  How many samples fit one is learnt from the last."""
        begun = thread_time()  # time in which the processor did something else says nothing about samples
        full = self._rig.work(loop.time(), self._most)
        spent = thread_time() - begun
        if spent > SLICE:
            self._most = max(_FEWEST, int(self._most * SLICE / spent))
        elif full and spent < SLICE / 2:
            self._most = min(2 * self._most, MOST_AT_ONCE)
        return loop.time()

    async def _read(self, stream: ByteStream, begun: bytes) -> None:
        loop = asyncio.get_running_loop()
        data = begun or await stream.read()
        while data:
            self._rig.receive(data, loop.time())
            self._to_send.set()
            self._due.set()
            data = await stream.read()

    async def _write(self, stream: ByteStream) -> None:
        loop = asyncio.get_running_loop()
        while True:
            self._to_send.clear()
            sent = 0
            while pieces := self._rig.send(loop.time()):
                for piece in pieces:
                    await stream.write(piece)
                sent += 1
                if sent % _FRAMES == 0:
                    # A line that takes everything at once would never let the reader look for a cell-off.
                    await asyncio.sleep(0)
            await self._to_send.wait()
