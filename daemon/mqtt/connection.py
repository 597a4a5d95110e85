"""The daemon's connection to its broker, made again for ever."""

import asyncio
import random
from collections.abc import Awaitable, Callable, Mapping, Sequence
from types import MappingProxyType

import structlog

from luggin.daemon.board import Board
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import ConnectionLost, Link, TooLarge, connect
from luggin.daemon.mqtt.intake import Intake
from luggin.daemon.mqtt.publisher import RunPublisher, publish_board, publish_entries
from luggin.daemon.mqtt.rival import NameTaken, find_rival, is_foreign
from luggin.daemon.store import Store
from luggin.protocol import topics
from luggin.protocol.payloads import NodeStatus, Payload, Reply

Listener = Callable[[bytes, bool], None]
log = structlog.get_logger(__name__)

PAUSES = (0.5, 30.0)
_STEADY_AFTER = 10.0  # s
_ANSWER_PAUSE = 0.5  # s; many claims are answered together
_FAREWELL = 0.7


class Connection:
    """`status` says what the node is, online or not.  `endpoint` is asked before every attempt, since address and
    password may change; it may wait, or raise OSError.  `listeners` hear, by topic, what others publish: the message,
    and whether the broker had it in store."""

    def __init__(
        self,
        node: str,
        status: Callable[[bool], NodeStatus],
        *,
        board: Board,
        store: Store,
        intake: Intake,
        endpoint: Callable[[], Awaitable[Endpoint]],
        listeners: Mapping[str, Sequence[Listener]] = MappingProxyType({}),
    ) -> None:
        self._node, self._status = node, status
        self._board, self._store, self._intake = board, store, intake
        self._endpoint = endpoint
        self._listeners = {**listeners, topics.claim(node): (self._hear_claim,)}
        self._publisher: RunPublisher | None = None
        self._daemon = status(True).daemon
        self._claimed = asyncio.Event()
        self.trouble = "not connected yet"
        """One sentence: why there is no broker; empty while there is one."""

    async def run(self) -> None:
        """Connect for ever.  Returns only by cancellation, after the broker has the newest of the board and a goodbye.

        A loss is logged once; attempts to mend it only for those who look closer.
        """
        pause, say, clock = PAUSES[0], log.warning, asyncio.get_running_loop().time
        while True:
            connected = clock()
            try:
                endpoint = await self._endpoint()
                if endpoint.shared and (other := await find_rival(endpoint, self._node, self._daemon)) is not None:
                    raise NameTaken(other)
                async with connect(endpoint, f"luggin-{self._node}", self._last_will(), self._receive) as link:
                    try:
                        await self._greet(link)
                        log.info("connected to the broker", broker=str(endpoint))
                        connected, say, self.trouble = clock(), log.warning, ""
                        await self._serve(link)
                    except asyncio.CancelledError:
                        await self._say_goodbye(link)
                        raise
            except (ConnectionLost, OSError, NameTaken) as error:
                self.trouble = str(error) or type(error).__name__
                say("no broker; trying again for ever", reason=self.trouble)
                say = log.debug
            if clock() - connected > _STEADY_AFTER:
                pause = PAUSES[0]
            await asyncio.sleep(pause * random.uniform(0.5, 1.0))
            pause = min(pause * 2, PAUSES[1])

    def _receive(self, topic: str, body: bytes, kept: bool) -> None:
        for listener in self._listeners.get(topic, ()):
            listener(body, kept)
        if topic not in self._listeners:
            self._intake.receive(topic, body, kept)

    def _hear_claim(self, body: bytes, _kept: bool) -> None:
        if is_foreign(body, self._daemon):
            self._claimed.set()

    async def settle(self, patience: float | None = None) -> None:
        """Wait until the broker has everything that is stored by now, backlog aside; at once without a broker.

        Raises TimeoutError once it takes nothing for longer than `patience` in s.
        """
        if self._publisher is not None:
            await self._publisher.caught_up(self._store.serial, patience)

    async def _greet(self, link: Link) -> None:
        self._intake.verified = link.endpoint.vouches
        for topic in (topics.commands_of(self._node), *self._listeners):
            await link.subscribe(topic)
        await link.publish(topics.status(self._node), _json(self._status(True)), "status")

    async def _defend(self, link: Link) -> None:
        """Say our status again to whoever claims our name."""
        while True:
            await self._claimed.wait()
            self._claimed.clear()
            await link.publish(topics.status(self._node), _json(self._status(True)), "status")
            await asyncio.sleep(_ANSWER_PAUSE)

    async def _serve(self, link: Link) -> None:
        """Until the connection is lost.  Raises ConnectionLost."""
        self._publisher = publisher = RunPublisher(self._node, self._store, link)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(link.lost(), name="broker's end of the connection")
                group.create_task(publish_board(self._board, link), name="board to broker")
                group.create_task(publisher.run(), name="runs to broker")
                group.create_task(self._send_replies(link), name="replies to broker")
                group.create_task(self._defend(link), name="answers to claims")
        except BaseExceptionGroup as errors:
            if errors.split(ConnectionLost)[1] is not None:
                raise
            raise _first(errors) from None
        finally:
            self._publisher = None

    async def _say_goodbye(self, link: Link) -> None:
        try:
            async with asyncio.timeout(_FAREWELL):
                await publish_entries(self._board.entries.items(), link)
                await link.publish(topics.status(self._node), _json(self._status(False)), "status")
        except (ConnectionLost, TooLarge, TimeoutError) as error:
            log.warning("the broker did not take the last messages", reason=str(error) or type(error).__name__)

    async def _send_replies(self, link: Link) -> None:
        outbox = self._intake.outbox
        while True:
            topic, reply = entry = await outbox.oldest()
            if reply is None:
                await link.forget(topic)
            else:
                await _send_reply(link, topic, reply)
            outbox.drop(entry)

    def _last_will(self) -> tuple[str, bytes]:
        # Nobody knows now when it will be spoken.
        return topics.status(self._node), _json(self._status(False).model_copy(update={"utc": None}))


async def _send_reply(link: Link, topic: str, reply: Reply) -> None:
    try:
        await link.publish(topic, _json(reply), "reply")
    except TooLarge as error:
        short = Reply(request=reply.request, accepted=False, sentence=f"the answer is too long: {error}; ask for less")
        await link.publish(topic, _json(short), "reply")


def _json(payload: Payload) -> bytes:
    return payload.model_dump_json().encode()


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
