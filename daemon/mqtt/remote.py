"""A client of one daemon: asks it, commands it and watches what it publishes.  The command line is such a client."""

import asyncio
import uuid
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from typing import Any, TypeVar

from pydantic import ValidationError

from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import ConnectionLost, Link, connect
from luggin.protocol import topics
from luggin.protocol.payloads import (
    COMMANDS,
    QUESTIONS,
    STORE_COMMANDS,
    InstrumentState,
    NodeStatus,
    Payload,
    Points,
    Reply,
    SequenceState,
)

ANSWER_TIMEOUT = 15.0
RETAINED_TIMEOUT = 5.0
_QUIET = 0.3
ANONYMOUS = "anonymous"
Model = TypeVar("Model", bound=Payload)
Watcher = Callable[[str, bytes], None]


class NobodyAnswered(Exception):
    """Nothing came back in time; the text says from where and what to look at."""


class Remote:
    """`node` is the daemon; `client` the name under which commands are sent, the broker's user name."""

    def __init__(self, link: Link, node: str, client: str) -> None:
        self.node = node
        self._link = link
        self._client = client
        self._waiting: dict[str, asyncio.Future[Any]] = {}
        self._watchers: list[Watcher] = []
        self._newest: dict[str, bytes] = {}
        self._arrived = asyncio.Event()
        self._gone = asyncio.create_task(link.lost(), name="broker")

    def close(self) -> None:
        self._gone.cancel()

    def check(self) -> None:
        """Raise ConnectionLost when the broker is gone."""
        if self._gone.done():
            self._gone.result()

    def _receive(self, topic: str, payload: bytes) -> None:
        parts = topic.split("/")
        if len(parts) == 5 and parts[3] == "reply":
            self._replied(payload)
            return
        if not payload:
            return
        if parts[-1] in ("state", "status", "health", "alarm", "sequence"):
            self._newest[topic] = payload
            self._arrived.set()
        for watcher in self._watchers:
            watcher(topic, payload)

    def _replied(self, payload: bytes) -> None:
        with suppress(ValidationError):
            reply = Reply.model_validate_json(payload)
            future = self._waiting.get(reply.request)
            if future is not None and not future.done():
                future.set_result(reply)

    async def ask(self, instrument: str, verb: str, /, timeout: float = ANSWER_TIMEOUT, **fields: Any) -> Reply:
        """Send one command or question and wait for its reply.  Raises NobodyAnswered, ConnectionLost."""
        request = uuid.uuid4().hex
        model = {**COMMANDS, **QUESTIONS, **STORE_COMMANDS}[verb]
        body = model(request=request, reply_to=topics.reply(self.node, instrument, self._client), **fields)
        future: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        self._waiting[request] = future
        try:
            topic = topics.command(self.node, instrument, self._client, verb)
            await self._link.publish(topic, body.model_dump_json().encode(), "command")
            await asyncio.wait({future, self._gone}, timeout=timeout, return_when=asyncio.FIRST_COMPLETED)
            self.check()
            if future.done():
                return Reply.model_validate(future.result())
            raise NobodyAnswered(
                f"{self.node}/{instrument} did not answer within {timeout:g} s; is the daemon running (luggin status)?"
            )
        finally:
            del self._waiting[request]

    @asynccontextmanager
    async def watching(self, watcher: Watcher) -> AsyncIterator[None]:
        """Hand every message of this node to `watcher`, which must return at once."""
        self._watchers.append(watcher)
        try:
            yield
        finally:
            self._watchers.remove(watcher)

    async def newest(self, topic: str, model: type[Model], timeout: float = RETAINED_TIMEOUT) -> Model:
        """The newest retained payload of a topic, waiting for the first one.  Raises NobodyAnswered."""
        try:
            async with asyncio.timeout(timeout):
                while topic not in self._newest:
                    self._arrived.clear()
                    await self._arrived.wait()
        except TimeoutError:
            raise NobodyAnswered(f"nothing is known of {topic.removeprefix('luggin/')}; is that name right?") from None
        return model.model_validate_json(self._newest[topic])

    async def changed(self) -> None:
        """Wait for the next message about how something stands, a second at most."""
        self._arrived.clear()
        with suppress(TimeoutError):
            async with asyncio.timeout(1.0):
                await self._arrived.wait()
        self.check()

    async def status(self) -> NodeStatus:
        return await self.newest(topics.status(self.node), NodeStatus)

    async def state(self, instrument: str) -> InstrumentState:
        return await self.newest(topics.instrument(self.node, instrument, "state"), InstrumentState)

    async def sequence(self, instrument: str) -> SequenceState:
        return await self.newest(topics.instrument(self.node, instrument, "sequence"), SequenceState)

    def payloads(self, kind: str) -> dict[str, bytes]:
        """The newest payloads of this kind (health, alarm ...) that have come so far, by instrument."""
        return {topic.split("/")[2]: raw for topic, raw in self._newest.items() if topic.endswith("/" + kind)}

    async def points(self, run: str, first: int, after: int) -> AsyncIterator[Points]:
        """Stored points with indices in [first, after), in order; what is not stored is left out."""
        while first < after:
            reply = await self.ask(topics.STORE, "points", run=run, first=first, count=min(after - first, 5000))
            if not reply.accepted:
                raise NobodyAnswered(reply.sentence)
            for batch in reply.data["batches"]:
                yield Points.model_validate(batch)
            first = int(reply.data["after"])


@asynccontextmanager
async def open_remote(endpoint: Endpoint, node: str | None) -> AsyncIterator[Remote]:
    """Connect as a client; `node` None finds the one daemon that is online.  Raises ConnectionLost, NobodyAnswered."""
    async with _connected(endpoint, node or "") as remote:
        if node is None:
            await remote._link.subscribe(f"{topics.ROOT}/+/status")
            remote.node = await _only_node(remote)
        await remote._link.subscribe(topics.everything_of(remote.node))
        yield remote


@asynccontextmanager
async def _connected(endpoint: Endpoint, node: str) -> AsyncIterator[Remote]:
    client = endpoint.user if endpoint.user and topics.is_segment(endpoint.user) else ANONYMOUS
    holder: list[Remote] = []

    def receive(topic: str, payload: bytes, _retained: bool) -> None:
        if holder:
            holder[0]._receive(topic, payload)

    async with connect(endpoint, f"luggin-{uuid.uuid4().hex[:12]}", None, receive) as link:
        remote = Remote(link, node, client)
        holder.append(remote)
        try:
            yield remote
        finally:
            remote.close()
            await asyncio.gather(remote._gone, return_exceptions=True)


async def _only_node(remote: Remote) -> str:
    found = await _statuses(remote)
    if not found:
        raise NobodyAnswered("no daemon is known to this broker; is it the right one?")
    online = [status.node for status in found if status.online]
    if len(online) != 1:
        seen = ", ".join(online) or "none online"
        raise NobodyAnswered(f"this broker has {seen}; name one with --node")
    return online[0]


async def _statuses(remote: Remote) -> list[NodeStatus]:
    """Of every daemon that the broker knows, by name.  There is no message that says "that was all"."""
    with suppress(TimeoutError):
        async with asyncio.timeout(RETAINED_TIMEOUT):
            await remote._arrived.wait()
            seen = 0
            while seen < (seen := len(remote._newest)):  # noqa: ASYNC110
                await asyncio.sleep(_QUIET)
    found = [NodeStatus.model_validate_json(raw) for raw in remote._newest.values()]
    return sorted(found, key=lambda status: status.node)


async def nodes_of(endpoint: Endpoint) -> list[NodeStatus]:
    """Every daemon that a broker knows, by name; those that are gone too.  Raises ConnectionLost."""
    async with _connected(endpoint, "") as remote:
        await remote._link.subscribe(f"{topics.ROOT}/+/status")
        return await _statuses(remote)


__all__ = ["ANONYMOUS", "ConnectionLost", "NobodyAnswered", "Remote", "nodes_of", "open_remote"]
