"""One instrument: owns the driver's session, runs the machine of protocol.unit and carries out its effects.

Everything that happens becomes an event of the machine, in the daemon's one loop; what the machine wants is done at
once where it waits for nothing, by a cancellable worker where it is slow, and beside that worker for cell-off.
"""

import asyncio
import random
import secrets
import time
from collections.abc import Awaitable, Callable, Coroutine
from importlib.metadata import version
from typing import Any

import structlog

from luggin.daemon import reports, safety
from luggin.daemon.admission import admit
from luggin.daemon.attendance import Attendance
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.settings import InstrumentSettings, Intervals
from luggin.daemon.store import Store, StoreError, StoreFull
from luggin.drivers.api import Driver, News, Session
from luggin.drivers.errors import DriverError, Refused
from luggin.protocol import payloads, topics
from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Cell, Receipt, Status
from luggin.protocol.limits import LimitState, check
from luggin.protocol.payloads import Progress, Reply, RunHeader, RunResult
from luggin.protocol.points import Batch
from luggin.protocol.problem import DocumentError
from luggin.protocol.program import Program
from luggin.protocol.unit import (
    Link,
    Order,
    State,
    Unit,
    begin,
    effects,
    events,
    next_deadline,
    step,
    trouble,
    wanted_on,
)

log = structlog.get_logger(__name__)

_ANSWER_START_WITHIN = 12.0
_PLAIN: dict[str, Callable[[float, str], events.Event]] = {
    "hold": events.Hold,
    "stop": events.Stop,
    "abort": events.Abort,
    "clear": events.Clear,
}
_ASKED = {"hold": "hold", "stop": "the orderly end", "abort": "cell off", "clear": "the release"}


class _Job:
    """What the session must know of the run at hand beside what the machine knows."""

    def __init__(self, header: RunHeader, *, begun: bool) -> None:
        self.header = header
        self.program = Program.model_validate(header.program)
        self.phases = [str(phase["phase"]) for phase in header.method["phases"]]
        self.begun = begun  # whether the store knows the run
        self.early: list[effects.Record] = []
        self.limits = LimitState()
        self.checked = 0
        self.progress_at = float("-inf")


class Instrument:
    """One instrument.  `run()` lives as long as the daemon; `handle` and `shutdown` are called while it runs."""

    def __init__(
        self,
        node: str,
        name: str,
        driver: Driver,
        settings: InstrumentSettings,
        store: Store,
        board: Board,
        clock: Clock | None = None,
        intervals: Intervals | None = None,
    ) -> None:
        self._node, self._name, self._driver, self._settings = node, name, driver, settings
        self._store, self._board = store, board
        self._clock, self._intervals = clock or Clock(), intervals or Intervals()
        self._software = version("luggin")
        self._log = log.bind(instrument=name)
        self._unit: Unit = begin(self._clock.monotonic())
        self._recalled = asyncio.Event()
        self._changed = asyncio.Event()
        self._ending = asyncio.Event()
        self._session: Session | None = None
        self._attendance: Attendance | None = None
        self._capability: Capability | None = None
        self._epoch = 0
        self._job: _Job | None = None
        self._batch: Batch | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._slow: list[effects.Slow] = []
        self._worker: asyncio.Task[None] | None = None
        self._starting: asyncio.Future[str | None] | None = None  # None: it runs; else why not
        self._trouble_since: float | None = None

    @property
    def unit(self) -> Unit:
        return self._unit

    # Public

    async def run(self) -> None:
        """Connect for ever, adopt or make safe, execute.  Returns after `shutdown`; only cancellation ends it else."""
        if not self._recalled.is_set():
            self._unit, header = await safety.recall(
                self._store, self._name, self._clock.monotonic(), self._clock.utc()
            )
            self._job = None if header is None else _Job(header, begun=True)
            if self._job is not None and self._unit.run is not None:
                self._job.checked = self._unit.run.tally.received
            self._recalled.set()
            self._feed(events.Tick(self._clock.monotonic()))
            self._post()
        try:
            loops = [
                asyncio.create_task(self._guarded(self._connect_for_ever()), name=f"{self._name} connection"),
                asyncio.create_task(self._guarded(self._tick_for_ever()), name=f"{self._name} clock"),
            ]
            await self._ending.wait()
        finally:
            for task in (*loops, *self._tasks):
                task.cancel()
            await asyncio.gather(*loops, *self._tasks, return_exceptions=True)

    async def handle(self, command: ReceivedCommand) -> Reply:
        """Carry out one command and say what became of it; never raises.  Works without a connection too."""
        try:
            await self._recalled.wait()
            reply = await self._carry_out(command)
        except Exception as error:
            self._log.exception("a command failed", verb=command.verb)
            self._feed(events.Fault(self._clock.monotonic(), f"A command failed: {error}"))
            reply = self._refused(command, f"{command.verb} failed: {error}")
        self._record_command(command, reply)
        return reply

    async def shutdown(self, timeout: float = 5.0) -> bool:
        """Switch the cell off, record the outcome and end `run`.  False when the cell is not confirmed off."""
        self._feed(events.Shutdown(self._clock.monotonic()))
        await self._until(lambda: self._unit.proven and self._unit.off is None, timeout)
        confirmed = self._unit.proven and self._unit.cell is Cell.OFF
        if confirmed:
            await self._until(lambda: self._unit.run is None, 2.0)
        else:
            sentence = "The daemon ended while the cell was not confirmed off."
            self._record(effects.Record(None, "cell", sentence, {"cell": Cell.UNKNOWN.value}))
        self._ending.set()
        return confirmed

    # Commands

    async def _carry_out(self, command: ReceivedCommand) -> Reply:
        payload, now = command.payload, self._clock.monotonic()
        match payload:
            case payloads.Start():
                return await self._start(command, payload)
            case payloads.Unhold():
                return self._answer(command, self._feed(events.Unhold(now, command.client, payload.token)), "going on")
            case payloads.Attest():
                reply = self._answer(command, self._feed(events.Attest(now, payload.person)), "recorded")
                if reply.accepted:
                    run = None if self._job is None else self._job.header.run
                    await self._store.attest(
                        self._name, run, payload.person, payload.statement, command.client, command.verified
                    )
                return reply
        reply = self._answer(command, self._feed(_PLAIN[command.verb](now, command.client)), "")
        if reply.accepted:
            await self._until(lambda: self._unit.off is None, self._intervals.cell_off)
            reply = reply.model_copy(update={"sentence": self._what_became(command.verb)})
        return reply

    def _what_became(self, verb: str) -> str:
        unit = self._unit
        if unit.off is None and unit.proven and unit.cell is Cell.OFF:
            return f"{self._node}/{self._name} is {unit.state}; cell off, confirmed."
        if unit.off is not None:
            return (
                f"{self._node}/{self._name}: cell off is asked for but NOT confirmed; it is tried again without end. "
                "Make sure at the instrument."
            )
        return f"{self._node}/{self._name}: {_ASKED[verb]} is under way; it is {unit.state}."

    async def _start(self, command: ReceivedCommand, payload: payloads.Start) -> Reply:
        capability = self._capability
        if capability is None or self._unit.link is Link.LOST:
            return self._refused(command, f"{self._driver.address} is not reachable; check its power and connection")
        try:
            method, program = admit(payload.method, capability, self._settings)
        except DocumentError as error:
            problems = [str(problem) for problem in error.problems]
            return self._refused(command, "the method can't run on this instrument", problems)
        run = self._run_id()
        header = reports.header_of(
            self._node,
            self._name,
            run,
            method=method,
            program=program,
            capability=capability,
            boot=self._unit.boot,
            settings=self._settings,
            software=self._software,
            command=command,
            clock=self._clock,
        )
        before, self._job = self._job, (_Job(header, begun=False) if self._unit.run is None else self._job)
        order = Order.of(run, program, capability.dead_man)
        done = self._feed(events.Start(self._clock.monotonic(), command.client, payload.token, order))
        reply = self._answer(command, done, "")
        if not reply.accepted:
            self._job = before
            return reply
        self._starting = asyncio.get_running_loop().create_future()
        self._settle_start()
        try:
            async with asyncio.timeout(_ANSWER_START_WITHIN):
                why_not = await self._starting
        except TimeoutError:
            why_not = None  # it is still being loaded, over a slow line; its state tells how it goes on
        finally:
            self._starting = None
        return self._refused(command, why_not) if why_not else reply.model_copy(update={"run": run})

    def _run_id(self) -> str:
        moment = time.strftime("%Y%m%d-%H%M%S", time.gmtime(self._clock.utc()))
        return f"{moment}-{self._name[:32]}-{secrets.token_hex(2)}"

    def _answer(self, command: ReceivedCommand, done: tuple[effects.Effect, ...], sentence: str) -> Reply:
        for effect in done:
            if isinstance(effect, effects.Rejected):
                return self._refused(command, effect.sentence)
        return Reply(request=command.payload.request, accepted=True, sentence=sentence)

    @staticmethod
    def _refused(command: ReceivedCommand, sentence: str, problems: list[str] | None = None) -> Reply:
        return Reply(request=command.payload.request, accepted=False, sentence=sentence, problems=problems or [])

    def _record_command(self, command: ReceivedCommand, reply: Reply) -> None:
        run = reply.run or (None if self._unit.run is None else self._unit.run.id)
        outcome = "accepted" if reply.accepted else f"refused: {reply.sentence}"
        data = {
            "verb": command.verb,
            "client": command.client,
            "verified": command.verified,
            "origin": command.origin,
            "accepted": reply.accepted,
        }
        self._record(effects.Record(run, "command", f"{command.client} asked for {command.verb}: {outcome}", data))

    # The machine

    def _feed(self, event: events.Event) -> tuple[effects.Effect, ...]:
        self._unit, wanted = step(self._unit, event)
        for effect in wanted:
            self._do(effect)
        self._settle_start()
        self._changed.set()
        self._changed = asyncio.Event()
        return wanted

    def _settle_start(self) -> None:
        """Answer whoever waits for a start once it is known what became of it."""
        if self._starting is None or self._starting.done():
            return
        if self._unit.state is State.EXECUTE or (self._unit.run is not None and self._unit.run.outcome is not None):
            self._starting.set_result(None)
        elif self._unit.state is not State.STARTING:
            self._starting.set_result(self._unit.reason)

    async def _until(self, true: Callable[[], bool], timeout: float) -> None:
        """Wait until the unit is so, at most `timeout` seconds."""
        try:
            async with asyncio.timeout(timeout):
                while not true():
                    await self._changed.wait()
        except TimeoutError:
            pass

    async def _tick_for_ever(self) -> None:
        while True:
            changed, wait = self._changed, next_deadline(self._unit) - self._clock.monotonic()
            try:
                async with asyncio.timeout(max(wait, 0.0)):
                    await changed.wait()
            except TimeoutError:
                self._feed(events.Tick(self._clock.monotonic()))

    # Effects

    def _do(self, effect: effects.Effect) -> None:
        match effect:
            case effects.Rejected():
                pass
            case effects.NewToken():
                # As an event of its own, after the step that asked for it.
                token = secrets.token_hex(8)
                asyncio.get_running_loop().call_soon(
                    lambda: self._feed(events.TokenMade(self._clock.monotonic(), token))
                )
            case effects.Publish():
                self._post()
            case effects.Record():
                self._record(effect)
            case effects.CellOff():
                self._slow.clear()
                if self._worker is not None:
                    self._worker.cancel()
                self._spawn(self._switch_off(), "cell off")
            case effects.Slow():
                self._slow.append(effect)
                if self._worker is None or self._worker.done() or self._worker.cancelling():
                    self._worker = self._spawn(self._work(), "worker")
            case effects.Replay():
                self._spawn(self._replay(effect), "replay")
            case effects.Keep():
                self._keep(effect)
            case effects.Acknowledge():
                if self._attendance is not None:
                    self._attendance.acknowledge(effect.run, effect.after)
            case effects.Anchor():
                self._spawn(self._anchor(), "anchor")
            case effects.Seal():
                self._spawn(self._seal(effect), "seal")

    def _spawn(self, work: Coroutine[Any, Any, None], what: str) -> asyncio.Task[None]:
        task = asyncio.create_task(self._guarded(work), name=f"{self._name} {what}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _guarded(self, work: Awaitable[None]) -> None:
        """An error that nobody foresaw is a fault of this instrument: cell off, and never the end of the daemon."""
        try:
            await work
        except Exception as error:
            self._log.exception("unforeseen error; switching the cell off")
            words = f"The daemon met an unforeseen {type(error).__name__}: {error}"
            self._feed(events.Fault(self._clock.monotonic(), words))

    async def _switch_off(self) -> None:
        session, epoch = self._session, self._epoch
        receipt = Receipt(Cell.UNKNOWN, "the link was lost")
        try:
            if session is not None:
                async with asyncio.timeout(self._intervals.cell_off):
                    receipt = await session.cell_off()
        except TimeoutError:
            receipt = Receipt(Cell.UNKNOWN, f"no answer within {self._intervals.cell_off:g} s")
        except DriverError as error:
            receipt = Receipt(Cell.UNKNOWN, str(error))
        finally:
            self._feed(events.OffAnswered(self._clock.monotonic(), epoch, receipt))

    async def _work(self) -> None:
        """Slow effects, one at a time."""
        while self._slow:
            await self._carry_out_slow(self._slow.pop(0))

    async def _carry_out_slow(self, effect: effects.Slow) -> None:
        session, epoch = self._session, self._epoch
        try:
            if session is None:
                raise DriverError("the link was lost")
            match effect:
                case effects.Prepare():
                    if await self._begin_run(effect.run):
                        assert self._job is not None
                        await session.arm(effect.run, self._job.program)
                        self._feed(events.Armed(self._clock.monotonic(), epoch, effect.run))
                case effects.Begin():
                    await session.start(effect.run)
                    self._feed(events.Started(self._clock.monotonic(), epoch, effect.run))
                case effects.Pause():
                    await session.hold()
                case effects.Resume():
                    await session.unhold()
                case effects.End():
                    await session.stop()
        except DriverError as error:
            name, refused = type(effect).__name__, isinstance(error, Refused)
            failure = events.Failed(self._clock.monotonic(), epoch, effect.run, name, str(error), refused)
            self._feed(failure)

    async def _begin_run(self, run: str) -> bool:
        """Whether the store took the run."""
        job = self._job
        assert job is not None
        try:
            await self._store.begin_run(job.header)
        except StoreError as error:
            self._feed(events.Declined(self._clock.monotonic(), run, f"The run can't be stored: {error}"))
            return False
        job.begun = True
        for record in job.early:
            self._record(record)
        job.early.clear()
        return True

    def _record(self, effect: effects.Record) -> None:
        job = self._job
        run = effect.run
        if run is not None and job is not None and job.header.run == run and not job.begun:
            job.early.append(effect)
            return
        self._store.event(run, self._name, effect.kind, effect.sentence, dict(effect.data), urgent=True)

    def _keep(self, effect: effects.Keep) -> None:
        assert self._batch is not None
        part = self._batch.cut(effect.first, effect.after)
        assert part is not None
        self._store.put(part).add_done_callback(lambda future: self._stored(effect, future))

    def _stored(self, effect: effects.Keep, future: "asyncio.Future[int]") -> None:
        if future.cancelled():
            return
        error, now = future.exception(), self._clock.monotonic()
        if error is None:
            self._feed(events.Stored(now, effect.run, effect.first, effect.after))
        else:
            self._feed(events.NotStored(now, effect.run, str(error), isinstance(error, StoreFull)))

    async def _replay(self, effect: effects.Replay) -> None:
        session, epoch = self._session, self._epoch
        if session is None:
            return
        try:
            await session.replay(effect.run, effect.first)
            self._told(epoch, await session.status())
        except DriverError as error:
            self._log.debug("a replay failed; it is asked for again", reason=str(error))

    async def _anchor(self) -> None:
        session = self._session
        if session is None:
            return
        try:
            status = await session.status()
        except DriverError:
            return  # the next one comes within the hour, or with the next connection
        run_time = status.run_time if status.run is not None else None
        self._store.anchor(
            self._name,
            self._job.header.run if self._job is not None and self._job.begun else None,
            status.boot,
            self._clock.monotonic(),
            self._clock.utc(),
            bool(self._clock.synchronised()),
            status.clock,
            run_time,
        )

    async def _seal(self, effect: effects.Seal) -> None:
        try:
            gaps = await safety.missing(self._store, effect.run, effect.lost)
            result = RunResult.model_validate(
                {
                    "run": effect.run,
                    "state": effect.state,
                    "outcome": effect.outcome,
                    "sentence": effect.sentence,
                    "points": effect.end - sum(after - first for first, after in gaps),
                    "gaps": gaps,
                    "cell": effect.cell,
                    "flagged": effect.flagged or bool(gaps),
                    "utc": self._clock.utc(),
                }
            )
            await self._store.finish_run(result)
        except StoreError as error:
            words, full = f"The result can't be stored: {error}", isinstance(error, StoreFull)
            self._feed(events.NotStored(self._clock.monotonic(), effect.run, words, full))
        else:
            self._feed(events.Sealed(self._clock.monotonic(), effect.run))

    # The connection

    async def _connect_for_ever(self) -> None:
        shortest, longest = self._intervals.reconnect
        pause, said = shortest, ""
        while True:
            sentence = "the connection was closed"
            try:
                async with self._driver.open(self._intervals.connect) as session:
                    pause, said = shortest, ""
                    await self._attend(session)
            except (DriverError, OSError) as error:
                sentence = str(error)
            finally:
                self._session = self._attendance = None
                self._feed(events.LinkLost(self._clock.monotonic(), self._epoch, f"The link is lost: {sentence}"))
            level = self._log.debug if sentence == said else self._log.warning
            level("not connected", reason=sentence, next_attempt_in=round(pause, 1))
            said = sentence
            await asyncio.sleep(pause * random.uniform(0.7, 1.3))
            pause = min(2 * pause, longest)

    async def _attend(self, session: Session) -> None:
        status = await session.status()
        self._epoch += 1
        epoch = self._epoch
        self._session, self._capability = session, session.capability
        self._attendance = Attendance(
            session, self._intervals, lambda news: self._take(epoch, news), self._feeding, self._clock.monotonic
        )
        self._log.info("connected", address=self._driver.address, activity=status.activity.value)
        self._feed(events.Connected(self._clock.monotonic(), epoch, status))
        looking = asyncio.create_task(self._guarded(self._look_for_ever(session)), name=f"{self._name} health")
        try:
            await self._attendance.run()
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)

    def _feeding(self) -> float | None:
        """The dead-man timeout of the run while the instrument is wanted to go on, else None."""
        if self._job is None or not wanted_on(self._unit):
            return None
        return self._job.program.dead_man.timeout

    async def _look_for_ever(self, session: Session) -> None:
        """Health now and then, and an anchor each hour."""
        anchored = self._clock.monotonic()
        while True:
            try:
                reading = await session.read()
            except DriverError as error:
                self._log.debug("no reading", reason=str(error))
            else:
                topic = topics.instrument(self._node, self._name, "health")
                self._board.post(
                    topic, reports.health_of(self._node, self._name, session.capability, reading, self._clock)
                )
            if self._clock.monotonic() - anchored >= self._intervals.anchor:
                anchored = self._clock.monotonic()
                await self._anchor()
            await asyncio.sleep(self._intervals.health)

    # News

    def _take(self, epoch: int, news: News) -> None:
        if isinstance(news, Status):
            self._told(epoch, news)
        else:
            self._arrived(epoch, news)

    def _told(self, epoch: int, status: Status) -> None:
        self._feed(events.Told(self._clock.monotonic(), epoch, status))

    def _arrived(self, epoch: int, batch: Batch) -> None:
        """Limits first: cell-off waits for nothing that storing and publishing need."""
        job, run = self._job, self._unit.run
        if job is None or run is None or batch.run != run.id:
            return
        fresh = batch.cut(job.checked, batch.after)
        if fresh is not None:
            job.limits, violation = check(job.limits, fresh, job.program)
            job.checked = fresh.after
            if violation is not None:
                now = self._clock.monotonic()
                self._feed(events.Violated(now, epoch, batch.run, violation.sentence.rstrip(".")))
        self._batch = batch
        arrived = events.Arrived(self._clock.monotonic(), epoch, batch.run, batch.boot, batch.first, batch.after)
        self._feed(arrived)
        self._batch = None
        self._post_progress(job, batch)

    # The board

    def _post(self) -> None:
        found = trouble(self._unit)
        if found is None:
            self._trouble_since = None
        elif self._trouble_since is None:
            self._trouble_since = self._clock.utc()
            self._log.error("alarm", kind=found.kind, sentence=found.sentence)
        node, name, unit = self._node, self._name, self._unit
        self._board.post(topics.instrument(node, name, "state"), reports.state_of(node, name, unit, self._clock))
        alarm = reports.alarm_of(node, name, unit, self._trouble_since, self._clock)
        self._board.post(topics.instrument(node, name, "alarm"), alarm)

    def _post_progress(self, job: _Job, batch: Batch) -> None:
        now = self._clock.monotonic()
        if now - job.progress_at < self._intervals.progress:
            return
        job.progress_at = now
        phase = int(batch.columns["phase"][-1]) if "phase" in batch.columns else 0
        progress = Progress(
            node=self._node,
            instrument=self._name,
            run=batch.run,
            phase=phase,
            phase_name=job.phases[phase] if phase < len(job.phases) else "after-run",
            cycle=int(batch.columns["cycle"][-1]) if "cycle" in batch.columns else 1,
            points=batch.after,
            run_time=float(batch.columns["time"][-1]),
            longest=float(job.header.bounds["duration"]),
            utc=self._clock.utc(),
        )
        self._board.post(topics.instrument(self._node, self._name, "progress"), progress)
