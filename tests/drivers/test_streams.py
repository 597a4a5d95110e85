"""Byte streams: what they promise of reading, writing, loss and closing."""

import asyncio
import os
import socket
import termios
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from luggin.drivers.errors import NotReachable
from luggin.drivers.serial_stream import SerialStream, open_serial
from luggin.drivers.stream import ByteStream, memory_pair
from luggin.drivers.tcp_stream import open_tcp
from luggin.sim.pty_stream import PtyStream
from support.served import KINDS, served


@asynccontextmanager
async def pair(kind: str) -> AsyncIterator[tuple[ByteStream, ByteStream]]:
    """The host's end and the far end."""
    if kind == "memory":
        one, other = memory_pair()
        yield one, other
        await one.close()
        await other.close()
        return
    async with served(kind) as line:
        near = await line.connect()
        await line.reached()
        assert line.far is not None
        await line.detach()
        yield near, line.far
        await near.close()
        await line.far.close()


@pytest.fixture(params=KINDS)
async def ends(request: pytest.FixtureRequest) -> AsyncIterator[tuple[ByteStream, ByteStream]]:
    async with pair(request.param) as both:
        yield both


async def take(stream: ByteStream, size: int) -> bytes:
    data = b""
    while len(data) < size:
        piece = await stream.read()
        assert piece
        data += piece
    return data


async def test_bytes_arrive_in_order(ends: tuple[ByteStream, ByteStream]) -> None:
    near, far = ends
    sent = bytes(range(256)) * 200

    async def send() -> None:
        for start in range(0, len(sent), 500):
            await near.write(sent[start : start + 500])

    received, _ = await asyncio.gather(take(far, len(sent)), send())
    assert received == sent


async def test_the_end_of_the_other_side_is_noticed(ends: tuple[ByteStream, ByteStream]) -> None:
    near, far = ends
    reading = asyncio.create_task(near.read())
    await asyncio.sleep(0)
    await far.close()
    outcome = (await asyncio.gather(reading, return_exceptions=True))[0]
    assert outcome == b"" or isinstance(outcome, OSError)

    async def talk_on() -> None:
        while True:
            await near.write(b"x" * 500)

    with pytest.raises(OSError):
        await talk_on()


async def test_closing_twice_is_harmless(ends: tuple[ByteStream, ByteStream]) -> None:
    near, _ = ends
    await near.close()
    await near.close()


async def test_a_writer_waits_for_a_reader(ends: tuple[ByteStream, ByteStream]) -> None:
    """What is written does not pile up in this process, however slow the other side is."""
    near, _ = ends
    written = 0

    async def flood() -> None:
        nonlocal written
        while True:
            await near.write(bytes(512))
            written += 512

    with pytest.raises(TimeoutError):
        await asyncio.wait_for(flood(), 0.3)
    assert written < 8_000_000


async def test_a_port_is_for_one_program_only() -> None:
    terminal = PtyStream()
    first = await open_serial(terminal.path, 115200)
    with pytest.raises(NotReachable, match="another program uses it"):
        await open_serial(terminal.path, 115200)
    await first.close()
    second = await open_serial(terminal.path, 115200)
    await second.close()
    await terminal.close()


async def test_closing_a_port_does_not_drop_its_lines() -> None:
    """HUPCL would lower DTR when the port is closed, and many boards reset when it is raised again."""
    terminal = PtyStream()
    stream = await open_serial(terminal.path, 9600)
    descriptor = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
    assert not termios.tcgetattr(descriptor)[2] & termios.HUPCL
    os.close(descriptor)
    assert isinstance(stream, SerialStream)
    assert stream.bytes_per_second == 960.0
    await stream.close()
    await terminal.close()


async def test_ports_that_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(NotReachable, match="can't be opened: there is no such device"):
        await open_serial(str(tmp_path / "nothing"), 115200)
    plain = tmp_path / "file"
    plain.write_text("")
    with pytest.raises(NotReachable, match="can't be opened"):
        await open_serial(str(plain), 115200)


async def test_hosts_that_cannot_be_reached() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
    with pytest.raises(NotReachable, match=f"TCP 127.0.0.1 port {port} can't be reached"):
        await open_tcp("127.0.0.1", port)
    with pytest.raises(NotReachable, match="can't be reached"):
        await open_tcp("no-such-host.invalid", 5)


async def test_closing_a_tcp_connection_drops_what_was_not_sent() -> None:
    """A request that the network held back must not arrive after its host has gone."""
    async with pair("tcp") as (near, far):
        while True:
            try:
                await asyncio.wait_for(near.write(bytes(65536)), 0.05)
            except TimeoutError:
                break
        await near.close()

        async def read_all() -> None:
            while await far.read():
                pass

        with pytest.raises(ConnectionResetError):
            await read_all()
