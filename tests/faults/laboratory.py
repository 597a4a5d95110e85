"""A whole laboratory within one loop: instrument, line, daemon, store, broker, subscriber, and a wall clock to step.

The daemon is put together as the service does it, from the same parts.  `kill` ends it as SIGKILL would: its line and
its broker are gone at once, and the next one finds the store's files as they were at that moment.
"""

import asyncio
import itertools
import json
import shutil
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar, cast
from unittest.mock import patch

from faults.choice import REFERENCE
from faults.paper_broker import Message, PaperBroker
from faults.plugged import Plugged
from faults.truth import Truth
from faults.unsound import UnsoundStore
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.desk import Desk
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt import connection
from luggin.daemon.mqtt.intake import Intake
from luggin.daemon.questions import Questions
from luggin.daemon.service import _cancel
from luggin.daemon.session import Instrument
from luggin.daemon.settings import InstrumentSettings
from luggin.daemon.store import writer
from luggin.drivers.api import Driver
from luggin.protocol import topics
from luggin.protocol.instrument import Cell
from luggin.protocol.payloads import InstrumentState, NodeStatus, Payload, Reply
from luggin.protocol.topics import CommandTopic
from luggin.protocol.unit import State
from luggin.sim.settings import Settings
from support.swift_loop import SwiftLoop

NODE, INSTRUMENT = "lab", "left"
AT_REST = (State.IDLE, State.COMPLETE, State.STOPPED, State.ABORTED)
UTC = 1_750_000_000.0
_LARGEST = 128 * 1024
Answered = TypeVar("Answered")


@dataclass
class Wall:
    """The wall clock of a machine whose monotonic clock is `time`: `ahead` is by how much (s) it is wrong.

    It is asked from several threads.
    """

    time: Callable[[], float]
    ahead: float = 0.0
    kept: bool = True

    def utc(self) -> float:
        return UTC + self.time() + self.ahead

    def synchronised(self) -> bool:
        return self.kept


class WatchedBoard(Board):
    """Holds what is said of the cell against what its relay does."""

    def __init__(self, truth: Truth) -> None:
        super().__init__()
        self._truth = truth
        self.aborting: list[float] = []

    def post(self, topic: str, payload: Payload) -> None:
        if isinstance(payload, InstrumentState):
            if payload.cell is Cell.OFF and payload.state in AT_REST and self._truth.energised:
                self._truth.wrong.append(f"said {payload.state}, cell off, while the cell was on")
            if payload.state is State.ABORTING:
                self.aborting.append(self._truth.time())
        super().post(topic, payload)


class Daemon:
    """One life of the daemon."""

    def __init__(self, laboratory: "Laboratory", path: Path) -> None:
        self._laboratory, self.path = laboratory, path
        self._stack, self._tasks = AsyncExitStack(), [cast("asyncio.Task[None]", None)][:0]
        self.board = WatchedBoard(laboratory.truth)
        self.store: UnsoundStore
        self.instrument: Instrument
        self.desk: Desk

    async def start(self) -> None:
        lab, loop = self._laboratory, asyncio.get_running_loop()
        begun = loop.time() if lab.machine_restarts else 0.0
        clock = Clock(lambda: loop.time() - begun, lab.wall.utc, lab.wall.synchronised)
        opened = UnsoundStore.open(self.path, interval=0.0, slow_interval=0.0, utc=lab.wall.utc)
        self.store = cast(UnsoundStore, await self._stack.enter_async_context(opened))
        settings = InstrumentSettings(reference=REFERENCE)
        self.instrument = Instrument(
            NODE, INSTRUMENT, cast(Driver, lab.plugged), settings, self.store, self.board, clock
        )
        instruments = {INSTRUMENT: self.instrument}
        self.desk = Desk(NODE, instruments, Questions(self.store, _LARGEST), loop.time)
        intake = Intake(self.desk, instruments)

        async def endpoint() -> Endpoint:
            return Endpoint("paper", 1, vouches=True)

        def status(online: bool) -> NodeStatus:
            return NodeStatus(node=NODE, online=online, software="test")

        self.connection = connection.Connection(
            NODE, status, board=self.board, store=self.store, intake=intake, endpoint=endpoint
        )
        bodies = (self.instrument.run(), intake.run(), self.connection.run())
        self._tasks = [asyncio.create_task(body) for body in bodies]

    async def end(self) -> bool:
        """The orderly end; whether the cell was confirmed off."""
        self.desk.close()
        confirmed = await self.instrument.shutdown()
        with suppress(TimeoutError):
            async with asyncio.timeout(30):
                await self.connection.settle()
        await self._close()
        return confirmed

    async def kill(self) -> None:
        """Gone from one moment to the next; the files beside `path` are what is left."""
        lab = self._laboratory
        await lab.plugged.unplug()
        lab.broker.cut()
        self.store.forget()
        await lab.quiet()
        left = self.path.with_name(f"life-{next(lab.lives)}.sqlite")
        for ending in ("", "-wal"):
            with suppress(FileNotFoundError):
                shutil.copy(f"{self.path}{ending}", f"{left}{ending}")
        await self._close()
        lab.path = left
        lab.plugged.plugged = True

    async def _close(self) -> None:
        await _cancel(self._tasks)
        outcomes = await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._stack.aclose()
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome


@dataclass
class Laboratory:
    """`folder` is for the store.  `orders` counts the starts that a person really asked for."""

    folder: Path
    settings: Settings
    truth: Truth = field(default_factory=lambda: Truth(asyncio.get_running_loop().time))
    broker: PaperBroker = field(default_factory=PaperBroker)
    wall: Wall = field(default_factory=lambda: Wall(asyncio.get_running_loop().time))
    machine_restarts: int = 0
    orders: int = 0
    sent: list[tuple[str, bytes]] = field(default_factory=list)
    lives: Any = field(default_factory=itertools.count)

    def __post_init__(self) -> None:
        self.loop = cast(SwiftLoop, asyncio.get_running_loop())
        self.plugged = Plugged(self.settings, self.truth)
        self.path = self.folder / "store.sqlite"
        self.daemon: Daemon
        self._stack = AsyncExitStack()
        self._requests = itertools.count(1)
        self.aborted_at: list[float] = []

    async def __aenter__(self) -> "Laboratory":
        for changed in (
            patch.object(connection, "connect", self.broker.connect),
            patch.multiple(writer, RETRY_INTERVAL=0.0, MARKS_INTERVAL=1e9),
        ):
            self._stack.enter_context(changed)
        await self._stack.enter_async_context(self.plugged.running())
        await self.start_daemon()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._stack.aclose()

    async def start_daemon(self) -> None:
        self.daemon = Daemon(self, self.path)
        await self.daemon.start()

    async def quiet(self) -> None:
        """Wait until no thread of the daemon has work."""
        while not self.loop.quiet:  # noqa: ASYNC110 - that is no event
            await asyncio.sleep(0)

    @property
    def state(self) -> InstrumentState | None:
        found = self.daemon.board.entries.get(topics.instrument(NODE, INSTRUMENT, "state"))
        return found if isinstance(found, InstrumentState) else None

    async def until(self, true: Any, longest: float = 600.0) -> bool:
        """Wait until this is true of the published state, looking ten times a second; whether it came true."""
        end = self.loop.time() + longest
        while not (self.state is not None and true(self.state)):
            if self.loop.time() > end:
                return False
            await asyncio.sleep(0.1)
        return True

    async def order(self, verb: str, where: str = INSTRUMENT, client: str = "anna", **fields: Any) -> Reply | None:
        """What a person asks for: over the broker, or over the local socket where there is none."""
        request = f"request-{next(self._requests)}"
        reply_to = topics.reply(NODE, where, client)
        body = json.dumps({"request": request, "reply_to": reply_to, **fields}).encode()
        topic = topics.command(NODE, where, client, verb)
        self.orders += verb == "start"
        if verb == "abort":
            self.aborted_at.append(self.loop.time())
        self.sent.append((topic, body))
        since = len(self.broker.received)
        if self.broker.send(topic, body):
            return await self._within(self._replied(reply_to, request, since))
        answer = await self._within(self.daemon.desk.answer(_parts(topic), body, True, "local"))
        return None if answer is None else answer.reply

    async def _replied(self, topic: str, request: str, since: int) -> Reply:
        def wanted(message: Message) -> bool:
            return message.topic == topic and message.content["request"] == request

        return Reply.model_validate((await self.broker.heard(wanted, since)).content)

    async def _within(self, work: Awaitable[Answered], longest: float = 60.0) -> Answered | None:
        try:
            async with asyncio.timeout(longest):
                return await work
        except TimeoutError:
            return None


def _parts(topic: str) -> CommandTopic:
    found = topics.read_command(topic)
    assert found is not None
    return found
