"""The bundled simulator over every line passes the checks that every driver passes."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from luggin.drivers.api import Session
from luggin.drivers.conformance import CHECKS, Check, Connect, ContractBroken, carry_out
from luggin.drivers.link import open_link
from luggin.drivers.serial_stream import open_serial
from luggin.drivers.stream import ByteStream, TransportStream
from luggin.drivers.tcp_stream import open_tcp, tune
from luggin.sim.driver import SimDriver
from luggin.sim.pty_stream import PtyStream
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import Shell

SETTINGS = {"cell": "dummy-resistor", "speed": 4.0}


@asynccontextmanager
async def memory() -> AsyncIterator[Connect]:
    driver = SimDriver.parse(SETTINGS)
    yield lambda: driver.open(5.0)


@asynccontextmanager
async def pty() -> AsyncIterator[Connect]:
    async with _working() as shell:
        terminal = PtyStream()
        attending = asyncio.create_task(shell.attend(terminal))
        yield lambda: _session(lambda: open_serial(terminal.path, 115200))
        attending.cancel()
        await asyncio.gather(attending, return_exceptions=True)


@asynccontextmanager
async def tcp() -> AsyncIterator[Connect]:
    attending: set[asyncio.Task[None]] = set()
    async with _working() as shell:

        def accepted(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            tune(writer)
            attending.add(asyncio.create_task(shell.attend(TransportStream(reader, writer))))

        server = await asyncio.start_server(accepted, "127.0.0.1", 0)
        async with server:
            port = server.sockets[0].getsockname()[1]
            yield lambda: _session(lambda: open_tcp("127.0.0.1", port))
        for task in attending:
            task.cancel()
        await asyncio.gather(*attending, return_exceptions=True)


@asynccontextmanager
async def _working() -> AsyncIterator[Shell]:
    shell = Shell(Rig(Settings.parse(SETTINGS), asyncio.get_running_loop().time()))
    working = asyncio.create_task(shell.work())
    yield shell
    working.cancel()
    await asyncio.gather(working, return_exceptions=True)


@asynccontextmanager
async def _session(connect) -> AsyncIterator[Session]:  # type: ignore[no-untyped-def]
    stream: ByteStream = await connect()
    async with open_link(stream, "the simulated instrument", 5.0) as session:
        yield session


LINES = {"memory": memory, "pty": pty, "tcp": tcp}


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_conformance(check: Check) -> None:
    """On all lines at once, to save time."""
    async with asyncio.TaskGroup() as group:
        for name in LINES:
            group.create_task(_checked(check, name), name=name)


async def _checked(check: Check, name: str) -> None:
    async with LINES[name]() as connect:
        try:
            await carry_out(check, connect)
        except ContractBroken as broken:
            broken.add_note(f"over {name}")
            raise
