"""Real brokers and clients for tests."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from luggin.daemon import endpoint
from luggin.daemon.broker import EmbeddedBroker
from luggin.daemon.broker_files import Kind
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import Link, connect

NODE = "bench"


@dataclass(frozen=True)
class Received:
    topic: str
    payload: bytes
    kept: bool

    @property
    def kind(self) -> str:
        return self.topic.rpartition("/")[2]


class Client:
    """A connected client that collects what it receives."""

    def __init__(self) -> None:
        self.received: list[Received] = []
        self.link: Link
        self._arrived = asyncio.Event()

    def receive(self, topic: str, payload: bytes, kept: bool) -> None:
        self.received.append(Received(topic, payload, kept))
        self._arrived.set()
        self._arrived = asyncio.Event()

    async def until(self, wanted: Callable[[Received], bool]) -> Received:
        """The first message received, from the beginning on, that is wanted."""
        seen = 0
        while True:
            arrived = self._arrived
            for each in self.received[seen:]:
                seen += 1
                if wanted(each):
                    return each
            await arrived.wait()


@asynccontextmanager
async def running(broker: EmbeddedBroker) -> AsyncIterator[EmbeddedBroker]:
    task = asyncio.create_task(broker.run())
    try:
        await broker.endpoint()
        yield broker
    finally:
        task.cancel()
        await asyncio.wait([task])


@asynccontextmanager
async def embedded(runtime: Path, kind: Kind) -> AsyncIterator[EmbeddedBroker]:
    async with running(EmbeddedBroker(runtime, NODE, kind)) as broker:
        yield broker


@asynccontextmanager
async def client_of(where: Endpoint, *topics: str, name: str = "test-client") -> AsyncIterator[Client]:
    client = Client()
    async with connect(where, name, None, client.receive) as client.link:
        for topic in topics:
            await client.link.subscribe(topic)
        yield client


def local_access(runtime: Path, node: str = NODE) -> Endpoint:
    """What clients on this machine find."""
    return endpoint.read(endpoint.file_of(runtime, node))


def with_password(where: Endpoint, password: str) -> Endpoint:
    return replace(where, password=password)
