"""A simulated source-measure unit on a byte stream, and in a process of its own."""

import asyncio
import contextlib
from functools import partial

from luggin.drivers.stream import ByteStream
from luggin.sim.seat import Seat
from luggin.sim.serve import PtyLine, Say, TcpLine, asked_to_end
from luggin.sim.smu import SourceMeasureUnit


class SmuShell:
    """One unit, one connection at a time; a newer one takes over."""

    def __init__(self, unit: SourceMeasureUnit) -> None:
        self.unit = unit
        self._changed = asyncio.Event()
        self._seat = Seat()

    async def attend(self, stream: ByteStream, begun: bytes = b"") -> None:
        """Serve a connection, of which the bytes `begun` were read already, until it ends; then close it."""
        await self._seat.occupy(stream, partial(self._read, stream, begun), partial(self._write, stream), lambda: None)

    async def _read(self, stream: ByteStream, begun: bytes) -> None:
        loop = asyncio.get_running_loop()
        data = begun or await stream.read()
        while data:
            self.unit.receive(data, loop.time())
            self._changed.set()
            data = await stream.read()

    async def _write(self, stream: ByteStream) -> None:
        loop = asyncio.get_running_loop()
        while True:
            self._changed.clear()
            if answer := self.unit.send(loop.time()):
                await stream.write(answer)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout_at(self.unit.wakeup()):
                    await self._changed.wait()


async def serve_smu(unit: SourceMeasureUnit, line: PtyLine | TcpLine, say: Say) -> None:
    """Run until SIGTERM or SIGINT; then the output is switched off.  `say` as in `luggin.sim.serve.serve`."""
    jobs = {
        asyncio.create_task(line.attend(SmuShell(unit), say), name="line"),
        asyncio.create_task(asked_to_end(), name="signal"),
    }
    try:
        done, _ = await asyncio.wait(jobs, return_when=asyncio.FIRST_COMPLETED)
        for job in done:
            job.result()
    finally:
        unit.source.on = False
        for job in jobs:
            job.cancel()
        await asyncio.gather(*jobs, return_exceptions=True)
