"""A simulated instrument in a process of its own: on a pseudo-terminal, a TCP port or as a Bluetooth LE peripheral."""

import asyncio
import contextlib
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from luggin.drivers.errors import DriverError
from luggin.drivers.stream import ByteStream, TransportStream
from luggin.drivers.tcp_stream import tune
from luggin.protocol.link.codec import decode
from luggin.protocol.link.frame import LARGEST_FRAME, Decoder
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.message import Hello
from luggin.sim.faults import parse_fault
from luggin.sim.pty_stream import PtyStream
from luggin.sim.rig import Rig
from luggin.sim.shell import Shell

Say = Callable[[str], None]


class Line(Protocol):
    """Where hosts come from."""

    async def attend(self, shell: Shell, say: Say) -> None: ...


PATIENCE = 10.0
"""Seconds that a new TCP connection has for its hello."""
LOOPBACK = "127.0.0.1"


class Attends(Protocol):
    """Who serves a connection until it ends, one at a time, and then closes it."""

    async def attend(self, stream: ByteStream, begun: bytes = b"") -> None: ...


async def serve(rig: Rig, line: Line, say: Say, control: bool = False) -> None:
    """Run until SIGTERM or SIGINT; then the cell is opened.  With `control` faults are read from standard input.

    `say` gets one line for each place at which the instrument can be reached: `pty PATH`, `tcp HOST PORT` or
    `ble ADDRESS NAME`.
    """
    shell = Shell(rig)
    jobs = {
        asyncio.create_task(shell.work(), name="work"),
        asyncio.create_task(line.attend(shell, say), name="line"),
        asyncio.create_task(asked_to_end(), name="signal"),
    }
    if control:
        jobs.add(asyncio.create_task(_commands(rig), name="commands"))
    try:
        done, _ = await asyncio.wait(jobs, return_when=asyncio.FIRST_COMPLETED)
        for job in done:
            job.result()
    finally:
        rig.shut()
        for job in jobs:
            job.cancel()
        await asyncio.gather(*jobs, return_exceptions=True)


class PtyLine:
    """A pseudo-terminal; `link`, when given, is a symbolic link that always leads to it."""

    def __init__(self, link: Path | None = None) -> None:
        if link is not None and link.exists() and not link.is_symlink():
            raise FileExistsError(17, "it exists and is no symbolic link; choose another path", str(link))
        self._link = link

    async def attend(self, shell: Attends, say: Say) -> None:
        try:
            while True:
                stream = PtyStream()
                self._lead_to(stream.path)
                say(f"pty {stream.path}")
                await shell.attend(stream)
        finally:
            if self._link is not None:
                self._link.unlink(missing_ok=True)

    def _lead_to(self, path: str) -> None:
        if self._link is not None:
            made = self._link.with_name(self._link.name + ".new")
            made.unlink(missing_ok=True)
            made.symlink_to(path)
            made.replace(self._link)


class TcpLine:
    """A TCP port on the loopback interface; 0 picks a free one.

    A newer connection takes over; where `hello` is the custom, once it has said that.
    """

    def __init__(self, port: int, hello: bool = True) -> None:
        self._port, self._hello = port, hello

    async def attend(self, shell: Attends, say: Say) -> None:
        connections: set[asyncio.Task[None]] = set()

        def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.create_task(self._connection(shell, reader, writer), name="connection")
            connections.add(task)
            task.add_done_callback(connections.discard)

        server = await asyncio.start_server(connected, LOOPBACK, self._port)
        try:
            async with server:
                say(f"tcp {LOOPBACK} {server.sockets[0].getsockname()[1]}")
                await server.serve_forever()
        finally:
            for task in connections:
                task.cancel()
            await asyncio.gather(*connections, return_exceptions=True)

    async def _connection(self, shell: Attends, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        tune(writer)
        stream = TransportStream(reader, writer)
        begun = await _hello(stream) if self._hello else b""
        if begun or not self._hello:
            await shell.attend(stream, begun)
        else:
            await stream.close()


async def _hello(stream: TransportStream) -> bytes:
    """The bytes of a new connection up to a hello; empty when none comes."""
    decoder, begun = Decoder(), b""
    with contextlib.suppress(OSError, TimeoutError):
        async with asyncio.timeout(PATIENCE):
            while len(begun) < 2 * LARGEST_FRAME and (data := await stream.read()):
                begun += data
                for each in decoder.feed(data):
                    with contextlib.suppress(MessageError):
                        if isinstance(decode(each), Hello):
                            return begun
    return b""


async def asked_to_end() -> None:
    """Returns once the process is asked to end."""
    loop = asyncio.get_running_loop()
    asked = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, asked.set)
    await asked.wait()


async def _commands(rig: Rig) -> None:
    """Faults from standard input, one a line, for as long as the process lives."""
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := await reader.readline():
        if text := line.decode(errors="replace").strip():
            try:
                rig.fault(parse_fault(text), loop.time())
            except DriverError as error:
                sys.stderr.write(f"{error}\n")
    await asyncio.Event().wait()
