"""The daemon's connection with real brokers: what it says on connecting, on losing, on leaving; commands in."""

import asyncio
import json
import os
import signal
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import get_args

import pytest

from luggin.daemon.board import Board
from luggin.daemon.broker import EmbeddedBroker
from luggin.daemon.broker_files import Kind
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.desk import Desk
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt import connection as module
from luggin.daemon.mqtt.connection import Connection
from luggin.daemon.mqtt.intake import Intake
from luggin.daemon.questions import Questions
from luggin.daemon.store import Store
from luggin.protocol import topics
from luggin.protocol.payloads import Alarm, NodeStatus, Reply
from support.brokers import Received, client_of, embedded, local_access
from support.runs import INSTRUMENT, store_run
from support.runs import NODE as STORED_NODE

NODE = "bench"
STATUS = topics.status(NODE)
ALARM = topics.instrument(NODE, INSTRUMENT, "alarm")


class Obedient:
    def __init__(self) -> None:
        self.told: list[ReceivedCommand] = []
        self.busy = asyncio.Event()
        self.busy.set()

    async def handle(self, command: ReceivedCommand) -> Reply:
        self.told.append(command)
        if command.verb != "abort":
            await self.busy.wait()
        return Reply(request=command.payload.request, accepted=True)


@dataclass
class Daemon:
    """Everything of a daemon that the broker sees."""

    store: Store
    board: Board = field(default_factory=Board)
    pstat: Obedient = field(default_factory=Obedient)

    def connection(self, endpoint: Callable[[], Awaitable[Endpoint]]) -> tuple[Connection, Intake]:
        intake = Intake(Desk(NODE, {INSTRUMENT: self.pstat}, Questions(self.store, 128 * 1024)), [INSTRUMENT])
        connection = Connection(NODE, _status, board=self.board, store=self.store, intake=intake, endpoint=endpoint)
        return connection, intake

    @asynccontextmanager
    async def connected_to(self, endpoint: Callable[[], Awaitable[Endpoint]]) -> AsyncIterator[Connection]:
        connection, intake = self.connection(endpoint)
        tasks = [asyncio.create_task(connection.run()), asyncio.create_task(intake.run())]
        try:
            yield connection
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)

    def alarm(self, sentence: str) -> None:
        self.board.post(ALARM, Alarm(node=NODE, instrument=INSTRUMENT, active=True, sentence=sentence, utc=0.0))


def _status(online: bool) -> NodeStatus:
    return NodeStatus(node=NODE, online=online, software="0", instruments=(INSTRUMENT,), utc=1.0)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PAUSES", (0.02, 0.1))


@pytest.fixture
async def daemon(tmp_path: Path) -> AsyncIterator[Daemon]:
    async with Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as store:
        yield Daemon(store)


@pytest.fixture(params=get_args(Kind))
async def broker(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[EmbeddedBroker]:
    async with embedded(tmp_path, request.param) as broker:
        yield broker


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[EmbeddedBroker]:
    async with embedded(tmp_path, "mosquitto") as broker:
        yield broker


def online(message: Received) -> bool:
    return message.topic == STATUS and json.loads(message.payload)["online"]


def offline(message: Received) -> bool:
    return message.topic == STATUS and not json.loads(message.payload)["online"]


def says(sentence: str) -> Callable[[Received], bool]:
    return lambda message: message.topic == ALARM and json.loads(message.payload)["sentence"] == sentence


async def test_says_hello_the_board_and_goodbye(daemon: Daemon, broker: EmbeddedBroker, tmp_path: Path) -> None:
    daemon.alarm("look at me")
    async with client_of(local_access(tmp_path), topics.everything_of(NODE)) as client:
        async with daemon.connected_to(broker.endpoint):
            await client.until(online)
            await client.until(says("look at me"))
            daemon.alarm("newer")
            await client.until(says("newer"))
            daemon.alarm("last")
        await client.until(offline)
        assert [m.topic for m in client.received][-1] == STATUS
        await client.until(says("last"))
    async with client_of(local_access(tmp_path), topics.everything_of(NODE), name="late") as late:
        assert (await late.until(offline)).kept
        assert (await late.until(says("last"))).kept


async def test_a_run_reaches_a_subscriber_whole(daemon: Daemon, broker: EmbeddedBroker, tmp_path: Path) -> None:
    async with (
        daemon.connected_to(broker.endpoint) as connection,
        client_of(local_access(tmp_path), topics.everything_of(NODE)) as client,
    ):
        await client.until(online)
        await store_run(daemon.store, "run-1", 2500)
        await client.until(lambda m: m.kind == "result")
        await connection.settle()
        found = [json.loads(m.payload) for m in client.received if m.kind == "points"]
    assert STORED_NODE not in {m.topic.split("/")[1] for m in client.received}
    assert sum(each["count"] for each in found) == 2500
    assert (await daemon.store.unpublished()) == []


async def test_the_last_will_speaks_when_the_daemon_is_gone(
    daemon: Daemon, broker: EmbeddedBroker, tmp_path: Path
) -> None:
    async with (
        client_of(local_access(tmp_path), topics.everything_of(NODE)) as client,
        daemon.connected_to(broker.endpoint),
    ):
        await client.until(online)
        # Another connection of the same name makes the broker drop ours without a goodbye.
        async with client_of(await broker.endpoint(), name=f"luggin-{NODE}"):
            will = await client.until(offline)
            assert json.loads(will.payload)["utc"] is None


async def test_a_killed_broker_costs_no_point(daemon: Daemon, broker: EmbeddedBroker, tmp_path: Path) -> None:
    gate = asyncio.Event()
    gate.set()

    async def gated() -> Endpoint:
        await gate.wait()
        return await broker.endpoint()

    async with daemon.connected_to(gated) as connection:
        async with client_of(local_access(tmp_path), topics.everything_of(NODE)) as before:
            await before.until(online)
            await store_run(daemon.store, "run-1", 500, finish=False)
            await connection.settle()
        gate.clear()
        assert broker.process is not None
        os.kill(broker.process.pid, signal.SIGKILL)
        await broker.process.wait()
        await store_run(daemon.store, "run-2", 3000)
        daemon.alarm("while away")
        await broker.endpoint()
        async with client_of(local_access(tmp_path), topics.everything_of(NODE)) as after:
            gate.set()
            await after.until(online)
            await after.until(says("while away"))
            await after.until(lambda m: m.kind == "result")
            found = [json.loads(m.payload) for m in after.received if m.kind == "points"]
    assert {each["run"] for each in found} == {"run-2"}
    assert [i for each in found for i in range(each["first"], each["first"] + each["count"])] == list(range(3000))
    assert not any(each["live"] for each in found)
    assert await daemon.store.unpublished() == []


async def test_commands_are_carried_out_and_answered(daemon: Daemon, mosquitto: EmbeddedBroker, tmp_path: Path) -> None:
    replies = topics.reply(NODE, INSTRUMENT, "local")
    async with (
        daemon.connected_to(mosquitto.endpoint),
        client_of(local_access(tmp_path), topics.everything_of(NODE)) as client,
    ):
        await client.until(online)
        for request in ("r1", "r1", "r2"):
            body = json.dumps({"request": request, "reply_to": replies}).encode()
            await client.link.publish(topics.command(NODE, INSTRUMENT, "local", "hold"), body, "command")
        await client.until(lambda m: m.topic == replies and json.loads(m.payload)["request"] == "r2")
    assert [each.payload.request for each in daemon.pstat.told] == ["r1", "r2"]
    assert all(each.verified and each.client == "local" for each in daemon.pstat.told)


async def test_a_client_is_not_verified_where_the_broker_does_not_vouch(daemon: Daemon, tmp_path: Path) -> None:
    async with embedded(tmp_path, "iotcore") as broker, daemon.connected_to(broker.endpoint):
        replies = topics.reply(NODE, INSTRUMENT, "somebody")
        async with client_of(local_access(tmp_path), topics.everything_of(NODE)) as client:
            await client.until(online)
            body = json.dumps({"request": "r1", "reply_to": replies}).encode()
            await client.link.publish(topics.command(NODE, INSTRUMENT, "somebody", "hold"), body, "command")
            await client.until(lambda m: m.topic == replies)
    assert [(each.client, each.verified) for each in daemon.pstat.told] == [("somebody", False)]


async def test_an_abort_passes_a_flood(daemon: Daemon, mosquitto: EmbeddedBroker, tmp_path: Path) -> None:
    replies = topics.reply(NODE, INSTRUMENT, "local")
    async with (
        daemon.connected_to(mosquitto.endpoint),
        client_of(local_access(tmp_path), replies, STATUS) as client,
    ):
        await client.until(online)
        daemon.pstat.busy.clear()
        for first in range(0, 1000, 100):
            async with asyncio.TaskGroup() as group:
                for number in range(first, first + 100):
                    body = json.dumps({"request": f"r{number}", "reply_to": replies}).encode()
                    topic = topics.command(NODE, INSTRUMENT, "local", "hold")
                    group.create_task(client.link.publish(topic, body, "command"))
        body = json.dumps({"request": "off", "reply_to": replies}).encode()
        await client.link.publish(topics.command(NODE, INSTRUMENT, "local", "abort"), body, "command")
        await client.until(lambda m: m.topic == replies and json.loads(m.payload)["request"] == "off")
        assert len(daemon.pstat.told) < 50
        daemon.pstat.busy.set()


@pytest.mark.parametrize("verb", ["start", "abort"])
async def test_a_retained_command_energises_nothing_and_is_cleared(
    daemon: Daemon, broker: EmbeddedBroker, tmp_path: Path, verb: str
) -> None:
    topic = topics.command(NODE, INSTRUMENT, "local", verb)
    async with client_of(local_access(tmp_path), topics.everything_of(NODE)) as client:
        body = json.dumps({"request": "r1", "token": "t", "method": {}}).encode()
        await client.link._client.publish(topic, body, 1, retain=True)
        await client.until(lambda m: m.topic == topic)
        async with daemon.connected_to(broker.endpoint):
            await client.until(lambda m: m.topic == topic and not m.payload)
            replies = topics.reply(NODE, INSTRUMENT, "local")
            stop = json.dumps({"request": "r2", "reply_to": replies}).encode()
            await client.link.publish(topics.command(NODE, INSTRUMENT, "local", "stop"), stop, "command")
            await client.until(lambda m: m.topic == replies)
    async with client_of(local_access(tmp_path), topics.everything_of(NODE), name="late") as late:
        await late.until(offline)
        assert not any(m.topic == topic for m in late.received)
    assert [each.verb for each in daemon.pstat.told] == ["stop"]


async def test_a_broker_that_is_away_at_the_start_is_no_obstacle(daemon: Daemon, tmp_path: Path) -> None:
    asked = 0

    async def away() -> Endpoint:
        nonlocal asked
        asked += 1
        if asked < 3:
            return Endpoint("127.0.0.1", 1)
        if asked < 5:
            raise PermissionError(13, "not for you", "/etc/luggin/password")
        return await present.endpoint()

    async with (
        embedded(tmp_path, "mosquitto") as present,
        client_of(local_access(tmp_path), topics.everything_of(NODE)) as client,
        daemon.connected_to(away),
    ):
        await client.until(online)
    assert asked >= 5


async def test_settling_without_a_broker_does_not_wait(daemon: Daemon) -> None:
    async def never() -> Endpoint:
        await asyncio.Event().wait()
        raise AssertionError

    async with daemon.connected_to(never) as connection:
        await connection.settle()
