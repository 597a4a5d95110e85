"""Two daemons of one name at one broker: the one that was there stays, and a dead one locks nobody out."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import structlog

from luggin.daemon.board import Board
from luggin.daemon.broker_files import find_mosquitto
from luggin.daemon.desk import Desk
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt import connection as module
from luggin.daemon.mqtt import rival
from luggin.daemon.mqtt.client import connect
from luggin.daemon.mqtt.connection import Connection
from luggin.daemon.mqtt.intake import Intake
from luggin.daemon.mqtt.remote import nodes_of
from luggin.daemon.questions import Questions
from luggin.daemon.store import Store
from luggin.protocol import topics
from luggin.protocol.payloads import NodeStatus
from support.brokers import NODE, Received, client_of, embedded

pytestmark = pytest.mark.skipif(find_mosquitto() is None, reason="needs mosquitto")
STATUS = topics.status(NODE)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PAUSES", (0.05, 0.2))
    monkeypatch.setattr(rival, "ANSWER_WITHIN", 1.0)


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Endpoint]:
    async with embedded(tmp_path, "mosquitto") as broker:
        yield replace(await broker.endpoint(), shared=True)


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "runs.sqlite") as store:
        yield store


def status(daemon: str, node: str = NODE) -> NodeStatus:
    return NodeStatus(node=node, online=True, software="0", daemon=daemon, machine=f"{daemon}-machine", utc=1.0)


@asynccontextmanager
async def daemon(name: str, where: Endpoint, store: Store, node: str = NODE) -> AsyncIterator[Connection]:
    async def endpoint() -> Endpoint:
        return where

    def told(online: bool) -> NodeStatus:
        return status(name, node).model_copy(update={"online": online})

    intake = Intake(Desk(node, {}, Questions(store, 128 * 1024)), [])
    connection = Connection(node, told, board=Board(), store=store, intake=intake, endpoint=endpoint)
    task = asyncio.create_task(connection.run())
    try:
        yield connection
    finally:
        task.cancel()
        await asyncio.wait([task])


def of(name: str, online: bool = True) -> Callable[[Received], bool]:
    def wanted(message: Received) -> bool:
        told = json.loads(message.payload)
        return message.topic == STATUS and (told["daemon"], told["online"]) == (name, online)

    return wanted


async def until(predicate: Callable[[], bool]) -> None:
    while not predicate():  # noqa: ASYNC110 - nothing tells
        await asyncio.sleep(0.01)


async def test_the_second_of_one_name_is_refused_with_a_sentence_until_the_first_leaves(
    broker: Endpoint, store: Store
) -> None:
    async with client_of(broker, STATUS) as client:
        with structlog.testing.capture_logs() as logged:
            async with daemon("first", broker, store) as first:
                await client.until(of("first"))
                async with daemon("second", broker, store) as second:
                    await until(lambda: "another daemon named bench" in second.trouble)
                    await until(lambda: sum(of("first")(each) for each in client.received) > 2)
                    assert first.trouble == ""
                    assert "on the machine first-machine" in second.trouble
                    assert not any(of("second")(each) or of("first", False)(each) for each in client.received)
                async with daemon("third", broker, store) as third:
                    await until(lambda: "another daemon" in third.trouble)
        said = [each for each in logged if "another daemon" in str(each.get("reason"))]
        assert [each["log_level"] for each in said if each["log_level"] != "debug"] == ["warning", "warning"]
        async with daemon("fourth", broker, store) as fourth:
            await client.until(of("fourth"))
            await until(lambda: fourth.trouble == "")


async def test_a_crash_locks_no_name_out(broker: Endpoint, store: Store) -> None:
    """The dead one's connection still stands, as after a loss of power, and its status says that it is online."""
    left = status("dead").model_dump_json().encode()
    will = status("dead").model_copy(update={"online": False}).model_dump_json().encode()
    async with connect(broker, f"luggin-{NODE}", (STATUS, will), lambda *_: None) as dead:
        await dead.publish(STATUS, left, "status")
        async with client_of(broker, STATUS, name="watcher") as client:
            async with daemon("next", broker, store):
                async with asyncio.timeout(30):
                    await client.until(of("next"))
            kept = [each for each in client.received if each.kept]
            assert [json.loads(each.payload)["daemon"] for each in kept] == ["dead"]
            at = [of("next")(each) for each in client.received].index(True)
            assert not any(of("dead", False)(each) for each in client.received[at:])


async def test_after_a_restart_the_name_is_free_at_once(
    broker: Endpoint, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rival, "ANSWER_WITHIN", 1e6)  # nobody may have to wait for an answer
    async with client_of(broker, STATUS) as client:
        for name in ("one", "two"):
            async with daemon(name, broker, store):
                await client.until(of(name))
        # Killed: the kernel closes the connection, and the broker speaks the last will.
        will = status("killed").model_copy(update={"online": False}).model_dump_json().encode()
        async with connect(broker, f"luggin-{NODE}", (STATUS, will), lambda *_: None) as killed:
            await killed.publish(STATUS, status("killed").model_dump_json().encode(), "status")
            assert await rival.find_rival(broker, NODE, "killed") is None  # its own word
            async with client_of(broker, name=f"luggin-{NODE}"):
                await client.until(of("killed", False))
        assert await rival.find_rival(broker, NODE, "three") is None


@pytest.mark.long  # each may drive the other out once before either is heard, which takes a broker's whole silence
async def test_two_that_start_together_settle_it(broker: Endpoint, store: Store) -> None:
    async with daemon("left", broker, store) as left, daemon("right", broker, store) as right:
        await until(
            lambda: (
                {left.trouble == "", right.trouble.startswith("another")} == {True}
                or {right.trouble == "", left.trouble.startswith("another")} == {True}
            )
        )


async def test_noise_on_the_claim_topic_costs_nothing(broker: Endpoint, store: Store) -> None:
    async with daemon("first", broker, store) as first, client_of(broker, STATUS) as client:
        await client.until(of("first"))
        for body in (b"x", b"[]", b'{"node": "bench"}'):
            await client.link.publish(topics.claim(NODE), body, "claim")
        assert await rival.find_rival(broker, NODE, "second") == status("first")
        assert first.trouble == ""


async def test_nodes_of_a_broker(broker: Endpoint, store: Store) -> None:
    async with daemon("a", broker, store, "north"), daemon("b", broker, store, "south") as south:
        await until(lambda: south.trouble == "")
        while [each.online for each in await nodes_of(broker)] != [True, True]:
            pass
    found = await nodes_of(broker)
    assert [(each.node, each.online) for each in found] == [("north", False), ("south", False)]
