"""What a connected broker is told: the notice board's newest entries, and runs from the store by cursor.

Each step of a run reads what comes next, publishes it, and advances the cursor once the broker has acknowledged; memory
holds one step a run however far behind the broker is.  A connection begins with a backlog: everything stored before.
It goes out marked `live: false`, one message at a time, only while no run has live news, and with a pause as long as
the message took.
"""

import asyncio
from collections.abc import Awaitable, Iterable
from typing import cast

import structlog

from luggin.daemon.board import Board
from luggin.daemon.mqtt.client import MOST_IN_FLIGHT, Link, TooLarge
from luggin.daemon.mqtt.encode import MOST_POINTS, points_messages
from luggin.daemon.store import Outstanding, Store, StoreError, Stream
from luggin.protocol import topics
from luggin.protocol.payloads import Evaluation, Payload
from luggin.protocol.points import Batch
from luggin.protocol.topics import Kind, RunKind

log = structlog.get_logger(__name__)

MOST_RUNS = 64
MOST_BACKLOG_RUNS = 20_000
MOST_EVENTS = 100
MOST_EVALUATIONS = 4
_STORE_AGAIN = 5.0
POINTS_A_STEP = 4 * MOST_POINTS
_KINDS: dict[Stream, RunKind] = {
    "header": "header",
    "points": "points",
    "events": "event",
    "result": "result",
    "evaluations": "evaluation",
}


async def publish_board(board: Board, link: Link) -> None:
    """Everything on the board, then each change; returns only by an exception."""
    serial = 0
    while True:
        serial, fresh = await board.newer(serial)
        await publish_entries(fresh.items(), link)


async def publish_entries(entries: Iterable[tuple[str, Payload]], link: Link) -> None:
    for topic, payload in entries:
        await link.publish(topic, payload.model_dump_json().encode(), cast(Kind, topic.rpartition("/")[2]))


class Backlog:
    """Tells what was stored before the connection from news.  `listed` is everything unpublished at its start."""

    def __init__(self, listed: list[Outstanding]) -> None:
        self._stored = {each.run: each.stored for each in listed}
        self._ended = {each.run for each in listed if each.finished}

    def live_from(self, run: str) -> int:
        """The index from which on the run's points are news."""
        return self._stored.get(run, 0)

    def holds(self, each: Outstanding) -> bool:
        """Whether what comes next of this run is backlog."""
        if each.points is not None:
            return each.points < self.live_from(each.run)
        return each.run in self._ended


class RunPublisher:
    """Publishes to one connection."""

    def __init__(self, node: str, store: Store, link: Link) -> None:
        self._node, self._store, self._link = node, store, link
        self._unreadable: set[str] = set()
        self._room = asyncio.Semaphore(MOST_IN_FLIGHT - 4)  # states and replies need not wait for points
        self._sent = 0
        self._caught_up = -1
        self._progress = asyncio.Event()

    async def run(self) -> None:
        """Returns only by an exception, ConnectionLost in the end."""
        while True:
            try:
                await self._publish_all()
            except StoreError as error:
                log.error("the store can't say what to publish; asking again", reason=str(error))
                await asyncio.sleep(_STORE_AGAIN)

    async def _publish_all(self) -> None:
        backlog = Backlog(await self._store.unpublished(MOST_BACKLOG_RUNS))
        followed: set[str] = set()
        while True:
            serial = self._store.serial
            outstanding = [
                each for each in await self._store.unpublished(MOST_RUNS, followed) if each.run not in self._unreadable
            ]
            news = [each for each in outstanding if not backlog.holds(each)]
            followed = {each.run for each in outstanding if not each.finished or each in news}
            if news:
                sent = self._sent
                async with asyncio.TaskGroup() as group:
                    for each in news:
                        group.create_task(self._step(each, POINTS_A_STEP, backlog.live_from(each.run)))
                if self._sent == sent:  # the store promises more than it holds; it must not be asked in a tight loop
                    await self._changed(serial, _STORE_AGAIN)
                continue
            self._caught_up = serial
            self._note_progress()
            pause = None
            if outstanding:
                oldest = outstanding[0]
                pause = await self._timed(self._step(oldest, MOST_POINTS, backlog.live_from(oldest.run)))
            await self._changed(serial, pause)

    async def caught_up(self, serial: int, patience: float | None = None) -> None:
        """Wait until all live news up to this serial of the store are with the broker.

        Raises TimeoutError once it takes nothing for longer than `patience` in s.
        """
        while self._caught_up < serial:
            async with asyncio.timeout(patience):
                await self._progress.wait()

    def _note_progress(self) -> None:
        self._progress.set()
        self._progress = asyncio.Event()

    async def _changed(self, serial: int, at_most: float | None) -> None:
        try:
            async with asyncio.timeout(at_most):
                await self._store.changed(serial)
        except TimeoutError:
            pass

    async def _timed(self, step: Awaitable[None]) -> float:
        clock = asyncio.get_running_loop().time
        start = clock()
        await step
        return clock() - start

    async def _step(self, each: Outstanding, most_points: int, live_from: int) -> None:
        """Publish what comes next of one run: header, points and events, its result after them, and evaluations."""
        try:
            if each.header:
                await self._publish(each, "header", 0, 1, await self._store.header(each.run))
            if each.points is not None:
                await self._publish_points(each, await self._store.unpublished_points(each.run, most_points), live_from)
            if each.events is not None:
                for event in await self._store.events(each.run, each.events, MOST_EVENTS):
                    await self._publish(each, "events", event.number, event.number + 1, event)
            if each.result and each.points is None and each.events is None:
                await self._publish(each, "result", 0, 1, await self._store.result(each.run))
            if each.evaluations is not None:
                found = await self._store.evaluations_of(each.run, each.evaluations, MOST_EVALUATIONS)
                for position, evaluation in found:
                    await self._publish(each, "evaluations", position, position + 1, self._carried(evaluation))
        except StoreError as error:
            log.error("a run can't be published before the next connection", run=each.run, reason=str(error))
            self._unreadable.add(each.run)

    async def _publish_points(self, each: Outstanding, batches: list[Batch], live_from: int) -> None:
        """All at once below the broker, in order; each is noted as soon as it is acknowledged."""
        largest = self._link.endpoint.largest_message
        async with asyncio.TaskGroup() as group:
            for batch in batches:
                for part, live in ((batch.cut(0, live_from), False), (batch.cut(live_from, batch.after), True)):
                    for piece, message in points_messages(part, live, largest) if part else ():
                        group.create_task(self._send(each, "points", piece.first, piece.after, message))
                        await asyncio.sleep(0)  # sent now, and the rest of the daemon gets its turn

    async def _publish(
        self, each: Outstanding, stream: Stream, first: int, after: int, payload: Payload | None
    ) -> None:
        if payload is not None:
            await self._send(each, stream, first, after, payload.model_dump_json().encode())

    def _carried(self, evaluation: Evaluation) -> Evaluation:
        """The same, without its body when the broker can't carry it."""
        if len(evaluation.model_dump_json().encode()) <= self._link.endpoint.largest_message:
            return evaluation
        return evaluation.model_copy(update={"body": None})

    async def _send(self, each: Outstanding, stream: Stream, first: int, after: int, message: bytes) -> None:
        kind = _KINDS[stream]
        try:
            async with self._room:
                await self._link.publish(topics.run(self._node, each.instrument, each.run, kind), message, kind)
        except TooLarge as error:
            log.error("not published; ask the store for it", reason=str(error))
        self._sent += 1
        self._note_progress()
        self._store.advance(each.run, stream, first, after)
