"""A paper instrument in real time at the end of a line: memory, a pseudo-terminal, TCP on loopback, modelled radio."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from luggin.drivers.ble_connect import Wanted, open_ble
from luggin.drivers.link import LinkSession, open_link
from luggin.drivers.serial_stream import open_serial
from luggin.drivers.stream import ByteStream, TransportStream, memory_pair
from luggin.drivers.tcp_stream import open_tcp, tune
from luggin.sim.pty_stream import PtyStream
from support.fake_bluez_tree import INSTRUMENT
from support.paper_instrument import PaperInstrument
from support.private_bus import has_dbus
from support.radio import peripheral, radio

KINDS = ("memory", "pty", "tcp", pytest.param("ble", marks=has_dbus))
BEAT = 0.002


class Served:
    """`connect` opens the host's end; `unplug` cuts the line from the instrument's side."""

    def __init__(self, kind: str, instrument: PaperInstrument) -> None:
        self.kind, self.instrument = kind, instrument
        self.far: ByteStream | None = None
        self.deaf = False
        self._keep_open = False
        self._connected = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def connect(self) -> ByteStream:
        await self._drop()
        self.far = None
        if self.kind == "memory":
            near, far = memory_pair()
            self._attend(far)
            return near
        if self.kind == "pty":
            terminal = PtyStream()
            self._attend(terminal)
            return await open_serial(terminal.path, 115200)
        if self.kind == "ble":
            near_ble = await open_ble(Wanted(INSTRUMENT, None), 5.0)
            await near_ble.write(b"\0")  # an idle line: an instrument knows of its host by the first write
            await self.reached()
            return near_ble
        if self._server is None:
            self._server = await asyncio.start_server(self.accepted, "127.0.0.1", 0)
        return await open_tcp("127.0.0.1", self._server.sockets[0].getsockname()[1])

    @asynccontextmanager
    async def session(self, timeout: float = 5.0) -> AsyncIterator[LinkSession]:
        async with open_link(await self.connect(), "the instrument on paper", timeout) as session:
            yield session

    async def attend(self, stream: ByteStream, begun: bytes = b"") -> None:
        """A radio connection has come."""
        await stream.read()
        self._attend(stream)

    async def reached(self) -> None:
        """Wait until the far end has a connection."""
        while self.far is None:
            self._connected.clear()
            await self._connected.wait()

    async def detach(self) -> None:
        """Leave the far end to the caller."""
        self._keep_open = True
        await self._drop()

    async def unplug(self) -> None:
        assert self.far is not None
        await self.far.close()

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
        await self._drop()

    async def _drop(self) -> None:
        """End the connection there is: a pseudo-terminal would outlive its host."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def accepted(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tune(writer)
        self._attend(TransportStream(reader, writer))

    def _attend(self, far: ByteStream) -> None:
        self.far = far
        self._connected.set()
        task = asyncio.create_task(self.serve(far))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def serve(self, far: ByteStream) -> None:
        jobs = [asyncio.create_task(self._hear(far)), asyncio.create_task(self._speak(far))]
        try:
            await asyncio.wait(jobs, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for job in jobs:
                job.cancel()
            outcomes = await asyncio.gather(*jobs, return_exceptions=True)
            if not self._keep_open:
                await far.close()
        for outcome in outcomes:
            if isinstance(outcome, Exception) and not isinstance(outcome, OSError):
                raise outcome

    async def _hear(self, far: ByteStream) -> None:
        loop = asyncio.get_running_loop()
        while data := await far.read():
            if not self.deaf:
                self.instrument.receive(data, loop.time())

    async def _speak(self, far: ByteStream) -> None:
        loop = asyncio.get_running_loop()
        while True:
            self.instrument.advance(loop.time())
            while not self.deaf and (frame := self.instrument.next_frame()):
                await far.write(frame)
            await asyncio.sleep(BEAT)


@asynccontextmanager
async def served(kind: str, instrument: PaperInstrument | None = None) -> AsyncIterator[Served]:
    line = Served(kind, instrument or PaperInstrument())
    async with contextlib.AsyncExitStack() as stack:
        if kind == "ble":
            await stack.enter_async_context(radio())
            await stack.enter_async_context(peripheral(line))
        try:
            yield line
        finally:
            with contextlib.suppress(OSError):
                await line.close()
