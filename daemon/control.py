"""Runs the machine of protocol.unit for one instrument, in the daemon's one loop, and carries out its effects.

What waits for nothing is done at once; what is slow is done by a worker that the next cell-off cancels; cell-off itself
runs beside it.  Whatever goes wrong unforeseen is a fault of this instrument: cell off, and never the daemon's end.
"""

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from functools import partial
from typing import ParamSpec

import structlog

from luggin.daemon.attendance import Attendance
from luggin.daemon.books import Books
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.execution import Execution
from luggin.daemon.reports import Reports
from luggin.daemon.safety import switch_off
from luggin.daemon.settings import Intervals
from luggin.daemon.store import Store, StoreError
from luggin.daemon.worker import Worker
from luggin.drivers.api import News, Session
from luggin.drivers.errors import DriverError, Refused
from luggin.protocol.instrument import Status
from luggin.protocol.payloads import Reply
from luggin.protocol.points import Batch
from luggin.protocol.unit import Unit, begin, effects, events, next_deadline, step, wanted_on

P = ParamSpec("P")
STUCK_AFTER = 10.0
"""Seconds after which something that was due counts as stuck."""
_TURNS = (events.Armed, events.Started, events.Failed, events.OffAnswered)


class Control:
    """`unit` is the machine's state and `execution` the run at hand; `session` and `attendance` are there while
    connected."""

    def __init__(self, instrument: str, store: Store, reports: Reports, clock: Clock, intervals: Intervals) -> None:
        self._name, self._clock, self._intervals = instrument, clock, intervals
        self._log = structlog.get_logger(__name__).bind(instrument=instrument)
        self.books = Books(store, instrument, clock, self.feed)
        self.reports = reports
        self.unit: Unit = begin(clock.monotonic())
        self.execution: Execution | None = None
        self.session: Session | None = None
        self.attendance: Attendance | None = None
        self._late_run: str | None = None
        self._batch: Batch | None = None
        self._turn = 0
        self._moved = asyncio.Event()
        self._closed = False
        self._timer: asyncio.TimerHandle | None = None
        self._due = float("nan")
        self._tasks: set[asyncio.Task[None]] = set()
        self._worker = Worker(self.spawn)
        self._off: asyncio.Task[None] | None = None

    def open(self) -> None:
        """Begin, or go on after a `close`."""
        self._closed, run = False, self.unit.run
        if run is not None and run.sealed:
            self.feed(events.NotStored(self.now(), run.id, "The result was not stored yet.", False))

    # Events

    def now(self) -> float:
        return self._clock.monotonic()

    def feed(self, event: events.Event) -> tuple[effects.Effect, ...]:
        """One step of the machine, and at once everything that it asks for."""
        self.unit, todo = step(self.unit, event)
        self._turn += isinstance(event, _TURNS)
        failure: Exception | None = None
        for effect in todo:
            try:
                self._do(effect)
            except Exception as error:
                self._log.exception("an effect failed", effect=type(effect).__name__)
                failure = error
        if self.unit.run is None:
            self.execution = None
        moved, self._moved = self._moved, asyncio.Event()
        moved.set()
        self._schedule()
        if failure is not None and not isinstance(event, events.Fault):
            self.fault(failure)
        return todo

    def fault(self, error: Exception) -> None:
        self.feed(events.Fault(self.now(), f"The daemon met an unforeseen {type(error).__name__}: {error}."))

    async def until(self, true: Callable[[], bool], timeout: float) -> bool:
        """Wait until this is true of the unit, at most `timeout` seconds."""
        try:
            async with asyncio.timeout(timeout):
                while not true():
                    await self._moved.wait()
        except TimeoutError:
            return true()
        return True

    def stuck(self) -> str:
        """What the machine waits for in vain; empty when well."""
        late = self.now() - next_deadline(self.unit)
        if late > STUCK_AFTER:
            return f"what was due {late:.0f} s ago was not done"
        off = self.unit.off
        if off is not None and off.asked and (self._off is None or self._off.done()):
            return "cell-off was asked for and nobody carries it out"
        return ""

    def _schedule(self) -> None:
        due = next_deadline(self.unit)
        if self._closed or (self._timer is not None and due == self._due):
            return
        if self._timer is not None:
            self._timer.cancel()
        self._due = due
        self._timer = asyncio.get_running_loop().call_later(max(0.0, due - self.now()), self._tick)

    def _tick(self) -> None:
        self._timer = None
        self.feed(events.Tick(self.now()))

    # News, as the attendance hands them on

    def take(self, news: News) -> None:
        try:
            self._take(news)
        except Exception as error:
            self._log.exception("news could not be dealt with: the cell is switched off")
            self.fault(error)

    def _take(self, news: News) -> None:
        if isinstance(news, Status):
            self.feed(events.Told(self.now(), self.unit.epoch, news))
            return
        execution, run = self.execution, self.unit.run
        if execution is not None and run is not None and news.run == run.id == execution.run:
            self._take_points(execution, news, run.tally.received)
        elif news.run == self._late_run:
            self.spawn("late points", self._take_late, news)

    def _take_points(self, execution: Execution, batch: Batch, received: int) -> None:
        """Limits first: cell-off waits for nothing that storing and publishing need."""
        violation, epoch = execution.judge(batch, received), self.unit.epoch
        if violation is not None:
            self.feed(events.Violated(self.now(), epoch, batch.run, violation.sentence))
        self._batch = batch
        self.feed(events.Arrived(self.now(), epoch, batch.run, batch.boot, batch.first, batch.after))
        self._batch = None
        self.reports.progress(execution, batch)

    async def fetch_late(self, session: Session, status: Status, stored: int) -> None:
        """Points of a run that was sealed without them: they are welcome, and the instrument needs the room."""
        run = status.run
        if run is None:
            return
        self._late_run = run
        try:
            await session.acknowledge(run, min(stored, status.next))
            if stored < status.next:
                await session.replay(run, stored)
        except DriverError as error:
            self._log.warning("late points were not fetched", run=run, reason=str(error))

    async def _take_late(self, batch: Batch) -> None:
        try:
            await self.books.keep_late(batch)
        except StoreError as error:
            self._log.warning("late points were not stored", run=batch.run, reason=str(error))
        else:
            if self.attendance is not None:
                self.attendance.acknowledge(batch.run, batch.after)

    def feeding(self) -> float | None:
        if self.execution is None or not wanted_on(self.unit):
            return None
        return self.execution.program.dead_man.timeout

    def turn(self) -> int:
        return self._turn

    # Effects

    def _do(self, effect: effects.Effect) -> None:
        session = self.session
        match effect:
            case effects.NewToken():
                self.feed(events.TokenMade(self.now(), secrets.token_urlsafe(12)))
            case effects.Publish():
                self.reports.state(self.unit)
            case effects.Record():
                self.books.record(effect, self.execution)
            case effects.CellOff():
                self._worker.cancel()
                self._off = self.spawn("cell off", self._switch_off, session, self.unit.epoch)
            case effects.Slow() if session is not None:
                self._worker.add(partial(self._carry_out, effect, session, self.unit.epoch))
            case effects.Keep() if self._batch is not None:
                part = self._batch.cut(effect.first, effect.after)
                if part is not None:
                    self.books.keep(part)
            case effects.Acknowledge() if self.attendance is not None:
                self.attendance.acknowledge(effect.run, effect.after)
            case effects.Replay() if session is not None:
                self.spawn("replay", self._replay, effect, session)
            case effects.Anchor() if session is not None:
                self.spawn("anchor", self.anchor, session)
            case effects.Seal() if not self._closed:
                self.spawn("seal", self.books.seal, effect)

    async def _switch_off(self, session: Session | None, epoch: int) -> None:
        receipt = await switch_off(session, self._intervals.cell_off)
        self.feed(events.OffAnswered(self.now(), epoch, receipt))

    async def _carry_out(self, effect: effects.Slow, session: Session, epoch: int) -> None:
        run = effect.run
        try:
            match effect:
                case effects.Prepare():
                    execution = self.execution
                    if execution is None or execution.run != run:
                        return
                    if not await self.books.begin(execution):
                        self.spawn("disavow", self.books.disavow, execution.header)
                        return
                    await session.arm(run, execution.program)
                    self.feed(events.Armed(self.now(), epoch, run))
                case effects.Begin():
                    await session.start(run)
                    self.feed(events.Started(self.now(), epoch, run))
                case effects.Pause():
                    await session.hold()
                case effects.Resume():
                    await session.unhold()
                case effects.End():
                    await session.stop()
        except DriverError as error:
            refused = isinstance(error, Refused)
            self.feed(events.Failed(self.now(), epoch, run, type(effect).__name__, f"{error}.", refused))

    async def _replay(self, effect: effects.Replay, session: Session) -> None:
        turn, epoch = self._turn, self.unit.epoch
        try:
            await session.replay(effect.run, effect.first)
            status = await session.status()
        except DriverError as error:
            self._log.debug("a replay failed; it is asked for again", reason=str(error))
            return
        if turn == self._turn:
            self.feed(events.Told(self.now(), epoch, status))

    async def anchor(self, session: Session) -> None:
        """Note what all clocks show; one that fails is made up for by the next."""
        try:
            status = await session.status()
        except DriverError:
            return
        execution = self.execution
        self.books.anchor(status, execution.run if execution is not None and execution.in_store else None)

    def record_command(self, command: ReceivedCommand, reply: Reply) -> None:
        """Who asked for what, whether that is vouched for, and what became of it."""
        outcome = "accepted" if reply.accepted else f"refused: {reply.sentence}"
        data = {
            "verb": command.verb,
            "client": command.client,
            "verified": command.verified,
            "origin": command.origin,
            "request": command.payload.request,
            "accepted": reply.accepted,
        }
        run = reply.run or (None if self.unit.run is None else self.unit.run.id)
        words = f"{command.client} asked for {command.verb}: {outcome}"
        self.books.record(effects.Record(run, "command", words, data), self.execution)

    # Tasks

    def spawn(self, what: str, work: Callable[P, Awaitable[None]], *args: P.args, **_: P.kwargs) -> asyncio.Task[None]:
        task = asyncio.create_task(self._guarded(partial(work, *args)), name=f"{self._name}: {what}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _guarded(self, work: Callable[[], Awaitable[None]]) -> None:
        try:
            await work()
        except Exception as error:
            self._log.exception("an unforeseen error: the cell is switched off")
            self.fault(error)

    async def off_answered(self) -> None:
        """Wait for a cell-off that is on its way; it is bounded, and goes on whatever becomes of the waiting."""
        if self._off is not None:
            await asyncio.wait({self._off})

    async def close(self) -> None:
        """End everything that is still under way; without a connection nothing new begins."""
        self._closed = True
        if self._timer is not None:
            self._timer.cancel()
        tasks = set(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
