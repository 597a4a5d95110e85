"""A broker that accepts connections and then says nothing, or does not even accept: the daemon ends in time."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from luggin.daemon import service
from luggin.daemon.board import Board
from luggin.daemon.broker_files import find_mosquitto
from luggin.daemon.desk import Desk
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt import client as mqtt_client
from luggin.daemon.mqtt import connection as connection_module
from luggin.daemon.mqtt import dial
from luggin.daemon.mqtt.connection import Connection
from luggin.daemon.mqtt.intake import Intake
from luggin.daemon.questions import Questions
from luggin.daemon.store import Store
from luggin.protocol.payloads import NodeStatus
from support.brokers import NODE, embedded
from support.runs import store_run


@pytest.fixture
def deaf() -> Iterator[socket.socket]:
    """A port whose queue of connections is full: nobody answers there, as behind a firewall that swallows packets."""
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        door.listen(0)
        waiting = []
        while True:
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex(door.getsockname())
            waiting.append(one)
            if len(waiting) == 3:
                break
        yield door
        for each in waiting:
            each.close()


async def test_dialling_a_deaf_port_is_given_up_at_once(deaf: socket.socket) -> None:
    """Bounded by nothing but its cancellation; the tests' own fixture sees that nothing is left behind."""
    host, port = deaf.getsockname()
    dialling = asyncio.ensure_future(dial.dial(host, port))
    await asyncio.sleep(0.05)
    assert not dialling.done()
    dialling.cancel()
    with pytest.raises(asyncio.CancelledError):
        await dialling


async def test_dialling_ends_by_itself(deaf: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dial, "DIAL_TIMEOUT", 0.1)
    with pytest.raises(OSError, match=r"no connection within 0\.1 s"):
        await dial.dial(*deaf.getsockname())
    with pytest.raises(mqtt_client.ConnectionLost, match="no connection within"):
        async with mqtt_client.connect(Endpoint(*deaf.getsockname()), "x", None, lambda *_: None):
            pass


class Swallower:
    """Stands between a client and its broker; once `swallowing`, what comes from the client is dropped."""

    def __init__(self) -> None:
        self.swallowing = False
        self.port = 0

    @asynccontextmanager
    async def before(self, port: int) -> AsyncIterator["Swallower"]:
        jobs: set[asyncio.Task[None]] = set()

        async def carry(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            try:
                while data := await reader.read(65536):
                    if not self.swallowing:
                        writer.write(data)
            finally:
                writer.close()
                await asyncio.wait([asyncio.ensure_future(writer.wait_closed())])

        async def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", port)
            jobs.add(asyncio.create_task(carry(reader, far_writer)))
            jobs.add(asyncio.create_task(carry(far_reader, writer)))

        server = await asyncio.start_server(accept, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            for job in jobs:
                job.cancel()
            await asyncio.gather(*jobs, return_exceptions=True)


@pytest.mark.skipif(find_mosquitto() is None, reason="needs mosquitto")
async def test_the_sum_of_all_waits_for_a_silent_broker_is_below_two_seconds(tmp_path: Path) -> None:
    """As the service ends it: settle, then cancel.  The bounds are added up, the time is not measured."""
    assert service._SILENCE + connection_module._FAREWELL + mqtt_client._GOODBYE <= 2.0
    async with (
        Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as store,
        embedded(tmp_path, "mosquitto") as broker,
    ):
        real = await broker.endpoint()
        async with Swallower().before(real.port) as swallower:

            async def endpoint() -> Endpoint:
                return Endpoint("127.0.0.1", swallower.port, real.user, real.password)

            def status(online: bool) -> NodeStatus:
                return NodeStatus(node=NODE, online=online, software="0", utc=1.0)

            intake = Intake(Desk(NODE, {}, Questions(store, 2**17)), [])
            connection = Connection(NODE, status, board=Board(), store=store, intake=intake, endpoint=endpoint)
            task = asyncio.create_task(connection.run())
            while connection.trouble:  # noqa: ASYNC110 - nothing tells
                await asyncio.sleep(0.01)
            await connection.settle()
            swallower.swallowing = True
            await store_run(store, "run-1", 100)
            with pytest.raises(TimeoutError):
                await connection.settle(service._SILENCE)
            task.cancel()
            await asyncio.wait([task])
            assert (await store.unpublished())[0].run == "run-1"
