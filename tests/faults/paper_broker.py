"""A message broker within the loop, at least once and no better: it may be away, slow, and lose its acknowledgements.

It stands in for the daemon's real connection (`luggin.daemon.mqtt.client.connect`) and has one subscriber, who takes
everything unless it is slow: then what comes of runs meanwhile is dropped, as brokers do for subscribers that lag.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import ConnectionLost, Receiver, TooLarge
from luggin.protocol.topics import DELIVERY, Kind

LATENCY = 0.002


@dataclass(frozen=True)
class Message:
    topic: str
    content: dict[str, Any]

    @property
    def kind(self) -> str:
        return self.topic.rpartition("/")[2]


class PaperBroker:
    def __init__(self) -> None:
        self.up, self.latency, self.deaf = True, LATENCY, False
        self.received: list[Message] = []
        self.kept: dict[str, bytes] = {}
        self._receive: Receiver | None = None
        self._gone = asyncio.Event()
        self._news = asyncio.Event()

    @asynccontextmanager
    async def connect(
        self, endpoint: Endpoint, identifier: str, last_will: tuple[str, bytes] | None, receive: Receiver
    ) -> AsyncIterator["PaperLink"]:
        await asyncio.sleep(self.latency)
        if not self.up:
            raise ConnectionLost("there is no broker")
        self._gone.set()  # whoever has the same name has to go
        gone = self._gone = asyncio.Event()
        try:
            yield PaperLink(self, endpoint, gone, receive)
        finally:
            if self._receive is receive:
                self._receive = None
            if last_will is not None and gone.is_set():
                self.take(*last_will, True)

    def cut(self) -> None:
        """Every connection breaks; what was taken and not acknowledged stays unacknowledged."""
        self._receive = None
        self._gone.set()

    def attach(self, receive: Receiver, topic: str) -> None:
        """A subscription to commands; what was kept for them comes at once."""
        self._receive = receive
        for kept_topic, body in list(self.kept.items()):
            if "/command/" in kept_topic:
                receive(kept_topic, body, True)

    def take(self, topic: str, payload: bytes, retain: bool) -> None:
        if retain and payload:
            self.kept[topic] = payload
        elif retain:
            self.kept.pop(topic, None)
        if payload and not (self.deaf and "/run/" in topic):
            self.received.append(Message(topic, json.loads(payload)))
            self._news.set()
            self._news = asyncio.Event()

    def send(self, topic: str, body: bytes) -> bool:
        """Give the daemon a message; whether somebody was there to take it."""
        if self._receive is None:
            return False
        self._receive(topic, body, False)
        return True

    def keep(self, topic: str, body: bytes) -> None:
        """A message that the broker keeps for whoever subscribes later, and gives to those who have."""
        self.kept[topic] = body
        self.send(topic, body)

    async def heard(self, wanted: Callable[[Message], bool], since: int = 0) -> Message:
        """The first message to the subscriber, from number `since` on, that is wanted."""
        while True:
            news = self._news
            for each in self.received[since:]:
                since += 1
                if wanted(each):
                    return each
            await news.wait()


class PaperLink:
    """An open connection, as `luggin.daemon.mqtt.client.Link`."""

    def __init__(self, broker: PaperBroker, endpoint: Endpoint, gone: asyncio.Event, receive: Receiver) -> None:
        self._broker, self.endpoint, self._gone, self._receiver = broker, endpoint, gone, receive

    async def publish(self, topic: str, payload: bytes, kind: Kind) -> None:
        if len(payload) > self.endpoint.largest_message:
            raise TooLarge(f"{len(payload)} bytes for {topic}")
        await self._travel(asyncio.sleep(self._broker.latency))
        self._broker.take(topic, payload, DELIVERY[kind].retain)
        await self._travel(asyncio.sleep(self._broker.latency))

    async def forget(self, topic: str) -> None:
        await self._travel(asyncio.sleep(self._broker.latency))
        self._broker.take(topic, b"", True)

    async def subscribe(self, topic: str) -> None:
        await self._travel(asyncio.sleep(self._broker.latency))
        self._broker.attach(self._receiver, topic)

    async def lost(self) -> None:
        await self._gone.wait()
        raise ConnectionLost("the broker went away")

    async def _travel(self, way: Awaitable[object]) -> None:
        await way
        if self._gone.is_set():
            raise ConnectionLost("the broker went away")
