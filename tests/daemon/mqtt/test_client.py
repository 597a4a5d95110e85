"""One connection: what an unwilling broker, a cancellation or a refusal leave behind (nothing)."""

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt import client as module
from luggin.daemon.mqtt.client import ConnectionLost, TooLarge, connect
from luggin.protocol import topics
from support.brokers import NODE, client_of, embedded, local_access


def ignore(_topic: str, _payload: bytes, _kept: bool) -> None:
    pass


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


@asynccontextmanager
async def silent_peer() -> AsyncIterator[tuple[Endpoint, asyncio.Event]]:
    """Accepts connections and never answers; the event says that somebody came."""
    came = asyncio.Event()
    ended: list[asyncio.Task[None]] = []

    async def swallow(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        came.set()
        await reader.read()
        writer.close()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ended.append(asyncio.get_running_loop().create_task(swallow(reader, writer)))

    server = await asyncio.start_server(accept, "127.0.0.1", 0)
    try:
        yield Endpoint("127.0.0.1", server.sockets[0].getsockname()[1]), came
        await asyncio.gather(*ended)
    finally:
        server.close()
        await server.wait_closed()


async def try_to_connect(where: Endpoint) -> None:
    async with connect(where, "tester", None, ignore):
        raise AssertionError("connected")


async def test_attempts_without_an_answer_leave_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "ANSWER_TIMEOUT", 0.05)
    async with silent_peer() as (where, _):
        before = None
        for _attempt in range(4):
            with pytest.raises(ConnectionLost):
                await try_to_connect(where)
            before = before or len(asyncio.all_tasks())
        assert len(asyncio.all_tasks()) == before


async def test_a_cancelled_attempt_ends_at_once_and_leaves_nothing_behind() -> None:
    async with silent_peer() as (where, came):
        task = asyncio.create_task(try_to_connect(where))
        await came.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task  # long before ANSWER_TIMEOUT, and before the test's own
    tasks = asyncio.all_tasks()
    assert tasks == {asyncio.current_task()}


async def test_a_cancellation_before_the_connection_is_made() -> None:
    async with silent_peer() as (where, _):
        task = asyncio.create_task(try_to_connect(where))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


@pytest.mark.parametrize("where", [Endpoint("127.0.0.1", 1), Endpoint("no-such-host.invalid", 1883)])
async def test_nobody_there_is_a_lost_connection(where: Endpoint) -> None:
    before = open_files()
    with pytest.raises(ConnectionLost):
        await try_to_connect(where)
    assert open_files() <= before


async def test_a_missing_certificate_is_named(tmp_path: Path) -> None:
    where = Endpoint("127.0.0.1", 1, encrypted=True, ca_file=str(tmp_path / "none.pem"))
    with pytest.raises(OSError):
        await try_to_connect(where)


async def test_messages_go_to_the_receiver_in_order_and_none_is_lost(tmp_path: Path) -> None:
    topic = topics.run(NODE, "pstat", "run-1", "points")
    async with (
        embedded(tmp_path, "mosquitto") as broker,
        client_of(await broker.endpoint(), name="sender") as sender,
        client_of(local_access(tmp_path), topics.everything_of(NODE)) as client,
    ):
        async with asyncio.TaskGroup() as group:
            for number in range(200):
                group.create_task(sender.link.publish(topic, b"%d" % number, "points"))
        await client.until(lambda m: m.payload == b"199")
        assert [int(m.payload) for m in client.received] == list(range(200))


async def test_too_large_is_refused_before_it_costs_the_connection(tmp_path: Path) -> None:
    async with embedded(tmp_path, "iotcore") as broker:
        where = await broker.endpoint()
        async with client_of(where) as client:
            with pytest.raises(TooLarge, match=str(where.largest_message)):
                await client.link.publish(topics.status(NODE), b"x" * (where.largest_message + 1), "status")
            await client.link.publish(topics.status(NODE), b"fits", "status")


async def test_the_end_of_the_broker_is_a_lost_connection(tmp_path: Path) -> None:
    async with embedded(tmp_path, "mosquitto") as broker, client_of(await broker.endpoint()) as client:
        assert broker.process is not None
        broker.process.kill()
        with pytest.raises(ConnectionLost):
            await client.link.lost()
        with pytest.raises(ConnectionLost):
            await client.link.publish(topics.status(NODE), b"late", "status")
