"""The local socket: real connections to a real Unix socket."""

import asyncio
import json
import os
import pwd
import socket
import stat
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, cast

import pytest

from luggin.daemon.board import Board
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.desk import Desk
from luggin.daemon.ending import Ending
from luggin.daemon.local import MOST_CONNECTIONS, LocalSocket, socket_of
from luggin.daemon.office import Office
from luggin.daemon.questions import Questions
from luggin.daemon.store import Store
from luggin.protocol import topics
from luggin.protocol.payloads import MOST_COMMAND_BYTES, Alarm, NodeStatus, Reply


class Noting:
    def __init__(self) -> None:
        self.told: list[ReceivedCommand] = []

    async def handle(self, command: ReceivedCommand) -> Reply:
        self.told.append(command)
        return Reply(request=command.payload.request, accepted=True)


def _status() -> NodeStatus:
    return NodeStatus(node="bench", online=True, software="0", instruments=("pstat",))


class Peer:
    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self.writer = reader, writer

    async def send(self, line: bytes) -> Reply:
        self.writer.write(line + b"\n")
        return Reply.model_validate_json(await self._reader.readline())

    async def ask(self, **fields: Any) -> Reply:
        return await self.send(json.dumps(fields).encode())

    async def at_end(self) -> bool:
        return await self._reader.read() == b""


@asynccontextmanager
async def peer_of(path: Path) -> AsyncIterator[Peer]:
    reader, writer = await asyncio.open_unix_connection(path)
    try:
        yield Peer(reader, writer)
    finally:
        writer.close()
        await writer.wait_closed()


@asynccontextmanager
async def served(runtime: Path, pstat: Noting, board: Board | None = None) -> AsyncIterator[Path]:
    path = socket_of(runtime, "bench")
    desk = Desk("bench", {"pstat": pstat}, cast(Questions, None))
    office = Office(cast(Store, None), {}, Ending())
    task = asyncio.create_task(LocalSocket(path, desk, board or Board(), _status, office).run())
    try:
        while not await asyncio.to_thread(_listening, path):
            assert not task.done(), task.exception()
        yield path
    finally:
        task.cancel()
        await asyncio.wait([task])


def _listening(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as probe:
        return probe.connect_ex(str(path)) == 0


async def test_status_is_the_node_and_its_board(tmp_path: Path) -> None:
    board = Board()
    topic = topics.instrument("bench", "pstat", "alarm")
    board.post(topic, Alarm(node="bench", instrument="pstat", active=False, utc=1.0))
    async with served(tmp_path, Noting(), board) as path, peer_of(path) as peer:
        reply = await peer.ask(verb="status")
    assert reply.accepted
    assert NodeStatus.model_validate(reply.data["node"]) == _status()
    assert Alarm.model_validate(reply.data["board"][topic]).active is False


@pytest.mark.parametrize("verb", ["stop", "abort", "hold"])
async def test_commands(tmp_path: Path, verb: str) -> None:
    pstat = Noting()
    async with served(tmp_path, pstat) as path, peer_of(path) as peer:
        reply = await peer.ask(instrument="pstat", verb=verb, command={"request": "r1"})
    assert reply == Reply(request="r1", accepted=True)
    [command] = pstat.told
    assert (command.verb, command.origin, command.verified) == (verb, "local", True)
    assert command.client == pwd.getpwuid(os.geteuid()).pw_name


async def test_abort_needs_no_payload_at_all(tmp_path: Path) -> None:
    pstat = Noting()
    async with served(tmp_path, pstat) as path, peer_of(path) as peer:
        await peer.ask(instrument="pstat", verb="abort")
    assert [each.verb for each in pstat.told] == ["abort"]


@pytest.mark.parametrize(
    "line",
    [b"", b"hello", b"[]", b"{}", b"3", b'{"verb": "hold"}', b'{"verb": ["hold"], "instrument": "pstat"}', b"[" * 9999],
)
async def test_nonsense_is_refused_and_the_next_line_still_counts(tmp_path: Path, line: bytes) -> None:
    pstat = Noting()
    async with served(tmp_path, pstat) as path, peer_of(path) as peer:
        assert not (await peer.send(line)).accepted
        assert (await peer.ask(instrument="pstat", verb="stop", command={"request": "r1"})).accepted
    assert [each.verb for each in pstat.told] == ["stop"]


async def test_an_unknown_instrument_is_a_sentence(tmp_path: Path) -> None:
    async with served(tmp_path, Noting()) as path, peer_of(path) as peer:
        reply = await peer.ask(instrument="furnace", verb="abort", command={"request": "r1"})
    assert "pstat" in reply.sentence


async def test_a_line_without_end_costs_the_connection_only(tmp_path: Path) -> None:
    async with served(tmp_path, Noting()) as path:
        async with peer_of(path) as endless:
            endless.writer.write(b"x" * (2 * MOST_COMMAND_BYTES))
            assert await endless.at_end()
        async with peer_of(path) as peer:
            assert (await peer.ask(verb="status")).accepted


async def test_too_many_connections_keep_nobody_out(tmp_path: Path) -> None:
    pstat = Noting()
    async with served(tmp_path, pstat) as path, peer_of(path) as oldest:
        assert (await oldest.ask(verb="status")).accepted
        idle = [await asyncio.open_unix_connection(path) for _ in range(MOST_CONNECTIONS - 1)]
        async with peer_of(path) as newest:
            assert (await newest.ask(instrument="pstat", verb="abort", command={"request": "r1"})).accepted
            assert await oldest.at_end()
        for _, writer in idle:
            writer.close()
            await writer.wait_closed()
    assert [each.verb for each in pstat.told] == ["abort"]


async def test_the_socket_is_private_and_goes_away(tmp_path: Path) -> None:
    async with served(tmp_path, Noting()) as path:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert not path.exists()


async def test_a_socket_left_by_a_killed_daemon_is_no_obstacle(tmp_path: Path) -> None:
    server = await asyncio.start_unix_server(lambda _reader, _writer: None, socket_of(tmp_path, "bench"))
    server.close()
    await server.wait_closed()
    async with served(tmp_path, Noting()) as path, peer_of(path) as peer:
        assert (await peer.ask(verb="status")).accepted


async def test_a_client_that_vanishes_harms_nobody(tmp_path: Path) -> None:
    async with served(tmp_path, Noting()) as path:
        for _ in range(3):
            _, writer = await asyncio.open_unix_connection(path)
            writer.write(b'{"verb": "status"}\n{"verb"')
            writer.transport.abort()
        async with peer_of(path) as peer:
            assert (await peer.ask(verb="status")).accepted
