"""One instrument of the daemon: it is run, told what to do, and shut down."""

import asyncio
import secrets
import time
from collections.abc import Sequence
from importlib.metadata import version

import structlog

from luggin.daemon import reports
from luggin.daemon.admission import admit
from luggin.daemon.bell import Bell
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.connecting import Connecting
from luggin.daemon.control import Control
from luggin.daemon.execution import Execution
from luggin.daemon.fitness import Fitness, flags, notes, required
from luggin.daemon.interlock import Interlock
from luggin.daemon.recall import recall
from luggin.daemon.settings import InstrumentSettings, Intervals
from luggin.daemon.store import Store, StoreError
from luggin.drivers.api import Driver
from luggin.protocol.instrument import Cell
from luggin.protocol.payloads import Acknowledge, Attest, Check, Describe, Reply, Start, Unhold
from luggin.protocol.problem import DocumentError
from luggin.protocol.program import bounds
from luggin.protocol.unit import Order, State, Unit, effects, events, leavable, restored, step

_PLAIN: dict[str, type[events.Hold | events.Stop | events.Abort | events.Clear]] = {
    "hold": events.Hold,
    "stop": events.Stop,
    "abort": events.Abort,
    "clear": events.Clear,
}
_RECALL_WITHIN = 5.0
_ANSWER_WITHIN = 12.0
_SETTLE_WITHIN = 1.5


class Instrument:
    """`run()` lives as long as the daemon; `handle` and `shutdown` are called while it runs."""

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
        self._node, self._name, self._driver, self._settings, self._store = node, name, driver, settings, store
        self._clock, self._intervals = clock or Clock(), intervals or Intervals()
        self._log = structlog.get_logger(__name__).bind(instrument=name)
        told = reports.Reports(node, name, board, self._clock, self._intervals.progress)
        self._control = Control(name, store, told, self._clock, self._intervals)
        self._connecting: Connecting | None = None
        wanted = settings.interlock
        self.interlock = None if wanted is None else Interlock(wanted, self._clock.monotonic, self._interlocked)
        self._recalled, self._ending = asyncio.Event(), asyncio.Event()

    @property
    def unit(self) -> Unit:
        """Where the instrument stands."""
        return self._control.unit

    async def run(self) -> None:
        """Connect for ever, adopt or make safe, execute.  Returns after `shutdown`; only cancellation ends it else."""
        self._control.open()
        await self._recall()
        self._connecting = connecting = Connecting(self._name, self._driver, self._control, self._intervals)
        tasks = {
            asyncio.create_task(connecting.run(), name=f"{self._name}: connection"),
            asyncio.create_task(_wait(self._ending), name=f"{self._name}: ending"),
            asyncio.create_task(self.bell.run(), name=f"{self._name}: alarm"),
        }
        if self.interlock is not None:
            tasks.add(asyncio.create_task(self.interlock.run(), name=f"{self._name}: interlock"))
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
            await self._control.close()
            self._connecting = None

    def stuck(self) -> str:
        """What keeps the session from looking after its instrument; empty when well or when it doesn't run."""
        return "" if self._connecting is None else self._connecting.stuck() or self._control.stuck()

    async def _recall(self) -> None:
        """Once: what an earlier daemon left behind.  Without the store's word nothing is taken as known."""
        if self._recalled.is_set():
            return
        now = self._clock.monotonic()
        try:
            self._control.unit, self._control.execution = await recall(self._store, self._name, now, self._clock.utc())
        except Exception:
            self._log.exception("what was before can't be read from the store")
            reason = "The store could not say what was before; look at the cell, then clear."
            self._control.unit = restored(now, reason, None, None)
        self._control.feed(events.Tick(now))
        self._recalled.set()

    def _locked(self) -> str | None:
        """Why the interlock lets nothing be energised now, None where it does or there is none."""
        return None if self.interlock is None else self.interlock.refusal

    def _interlocked(self, sentence: str) -> None:
        self._control.feed(events.Interlocked(self._clock.monotonic(), sentence))

    @property
    def bell(self) -> Bell:
        """What calls a person."""
        return self._control.reports.bell

    @property
    def left(self) -> str | None:
        """The run that a shutdown left going."""
        unit = self.unit
        return unit.run.id if unit.leaving and unit.run is not None and leavable(unit) else None

    async def shutdown(self, timeout: float = 5.0, *, leave_run: bool = False) -> bool:
        """Switch the cell off, record the outcome and end `run`.  False when the cell is not confirmed off.

        `leave_run` leaves a run to the instrument and to the next daemon where its dead-man timer allows that.
        """
        self._control.feed(events.Shutdown(self._clock.monotonic(), leave_run))
        if self.left is not None:
            self._ending.set()
            return True
        confirmed = await self._control.until(self._is_off, timeout)
        if confirmed:
            await self._control.until(lambda: self.unit.run is None, _SETTLE_WITHIN)
        else:
            words = "The daemon ended while the cell was not confirmed off."
            self._control.books.record(effects.Record(None, "cell", words, {"cell": Cell.UNKNOWN.value}), None)
        self._ending.set()
        return confirmed

    def _is_off(self) -> bool:
        return self.unit.cell is Cell.OFF and self.unit.off is None and self.unit.state is not State.STARTING

    async def handle(self, command: ReceivedCommand) -> Reply:
        """Carry out one command and say what became of it; never raises.  Works without a connection too."""
        try:
            async with asyncio.timeout(_RECALL_WITHIN):
                await self._recalled.wait()
            reply = await self._obey(command)
        except TimeoutError:
            reply = _refused(command, "The daemon is still reading what was before; try again.")
        except Exception as error:
            self._log.exception("a command failed", verb=command.verb)
            words = f"The daemon met an unforeseen {type(error).__name__}; look at the state before anything else."
            reply = _refused(command, words)
        if not isinstance(command.payload, Check | Describe):
            self.record(command, reply)
        return reply

    def renew(self) -> None:
        """Another token: whoever quotes the one before is late."""
        self._control.feed(events.TokenMade(self._clock.monotonic(), secrets.token_urlsafe(12)))

    def record(self, command: ReceivedCommand, reply: Reply) -> None:
        """Who asked for what and what became of it, for the record."""
        self._control.record_command(command, reply)

    async def _obey(self, command: ReceivedCommand) -> Reply:
        payload = command.payload
        fit = Fitness()
        if isinstance(payload, Start | Check):
            started = isinstance(payload, Start)
            fit = await required(self._store, self._name, payload.method, self._clock.utc(), started=started)
        now = self._clock.monotonic()
        if isinstance(payload, Unhold) and (sentence := self._locked()) is not None:
            return _refused(command, sentence)
        match command.payload:
            case Start() as start:
                return await self._start(command, start, fit)
            case Unhold() as unhold:
                return self._tell(command, events.Unhold(now, command.client, unhold.token))
            case Attest() as attest:
                return await self._attest(command, attest)
            case Check() as check:
                return await self._check(command, check, fit)
            case Describe():
                return self._describe(command)
            case Acknowledge() as acknowledge:
                return self._acknowledge(command, acknowledge)
        reply = self._tell(command, _PLAIN[command.verb](now, command.client))
        if reply.accepted and command.verb == "abort":
            await self._control.until(lambda: self.unit.off is None or self.unit.off.failures > 0, _ANSWER_WITHIN)
            off = "is confirmed off" if self.unit.proven else "is NOT confirmed off; it is tried again without end"
            reply = reply.model_copy(update={"sentence": f"{reply.sentence} The cell {off}."})
        return reply

    def _tell(self, command: ReceivedCommand, event: events.Event) -> Reply:
        for effect in self._control.feed(event):
            if isinstance(effect, effects.Rejected):
                return _refused(command, effect.sentence)
        run = None if self.unit.run is None else self.unit.run.id
        sentence = f"The unit is {self.unit.state}."
        return Reply(request=command.payload.request, accepted=True, sentence=sentence, run=run)

    async def _attest(self, command: ReceivedCommand, attest: Attest) -> Reply:
        """The record comes first: a word that nobody can read later counts for nothing."""
        event = events.Attest(self._clock.monotonic(), attest.person)
        if (sentence := self._rejection(event)) is not None:
            return _refused(command, sentence)
        run = None if self.unit.run is None else self.unit.run.id
        try:
            await self._control.books.attest(run, attest.person, attest.statement, command)
        except StoreError as error:
            return _refused(command, f"The statement could not be recorded: {error}.")
        return self._tell(command, event)

    def _acknowledge(self, command: ReceivedCommand, acknowledge: Acknowledge) -> Reply:
        sentence = self.bell.acknowledge(acknowledge.person)
        if sentence is not None:
            return _refused(command, sentence)
        words = f"{acknowledge.person} knows of it; it stays until what caused it is over."
        run = None if self.unit.run is None else self.unit.run.id
        data = {"person": acknowledge.person}
        note = effects.Record(run, "acknowledged", f"{acknowledge.person} has taken note of the alarm.", data)
        self._control.books.record(note, self._control.execution)
        return Reply(request=command.payload.request, accepted=True, sentence=words)

    async def _start(self, command: ReceivedCommand, start: Start, fit: Fitness) -> Reply:
        # Just connected, the cell is being confirmed off: that takes a moment only.
        await self._control.until(lambda: self.unit.off is None or not self.unit.off.asked, self._intervals.cell_off)
        session, now, run = self._control.session, self._clock.monotonic(), self._run_id()
        if (sentence := self._locked()) is not None:  # from here to the start nothing is waited for
            return _refused(command, sentence)
        unasked = events.Start(now, command.client, start.token, Order(run, None, 0.0, 0.0, False))
        if (sentence := self._rejection(unasked)) is not None or session is None:
            return _refused(command, sentence or "The instrument is not reachable.")
        try:
            method, program = admit(start.method, session.capability, self._settings, fit.problems)
        except DocumentError as error:
            problems = [str(problem) for problem in error.problems]
            return _refused(command, "The method can't run here: " + "; ".join(problems), problems)
        header = reports.header_of(
            self._node,
            self._name,
            run,
            method=method,
            program=program,
            capability=session.capability,
            boot=self.unit.boot,
            settings=self._settings,
            software=f"luggin {version('luggin')}",
            command=command,
            clock=self._clock,
            doubts=fit.doubts,
        )
        self._control.execution = Execution(header)
        order = Order.of(run, program, session.capability.dead_man)
        self._tell(command, events.Start(now, command.client, start.token, order))
        for note in notes(run, fit):
            self._control.books.record(note, self._control.execution)
        return await self._started(command, run)

    async def _check(self, command: ReceivedCommand, check: Check, fit: Fitness) -> Reply:
        """Every reason why the method could not start here, but for what the unit is doing at the moment."""
        session = self._control.session
        if session is None:
            return _refused(command, "The instrument is not reachable; what it can execute is not known without it.")
        try:
            _, program = admit(check.method, session.capability, self._settings, fit.problems)
            extent = bounds(program)
            await self._store.check_space(extent.points + extent.held_points, session.capability.columns)
        except (DocumentError, StoreError) as error:
            problems = [str(each) for each in error.problems] if isinstance(error, DocumentError) else [f"{error}."]
            return _refused(command, "The method can't run here: " + "; ".join(problems), problems)
        model = f"{session.capability.identity.maker} {session.capability.identity.model}"
        sentence = " ".join((f"The {model} at {self._name} can execute it.", *flags(fit)))
        return Reply(request=command.payload.request, accepted=True, sentence=sentence)

    def _describe(self, command: ReceivedCommand) -> Reply:
        session, settings = self._control.session, self._settings
        if session is None:
            return _refused(command, "The instrument is not reachable; what it can do is not known without it.")
        data = {
            "capability": session.capability.model_dump(mode="json"),
            "reference": settings.reference,
            "electrode": settings.electrode,
            "area": settings.area,
        }
        return Reply(request=command.payload.request, accepted=True, data=data)

    def _run_id(self) -> str:
        moment = time.strftime("%Y%m%d-%H%M%S", time.gmtime(self._clock.utc()))
        return f"{moment}-{self._name[:40]}-{secrets.token_hex(3)}"

    async def _started(self, command: ReceivedCommand, run: str) -> Reply:
        """The answer to a start once it is known what becomes of it."""
        reason = ""

        def decided() -> bool:
            nonlocal reason
            reason = self.unit.reason
            return self.unit.run is None or self.unit.run.id != run or self.unit.state is not State.STARTING

        await self._control.until(decided, _ANSWER_WITHIN)
        here = self.unit.run is not None and self.unit.run.id == run
        if not here or self.unit.state in (State.STOPPING, State.ABORTING, State.ABORTED, State.STOPPED):
            return _refused(command, reason, run=run if here else None)
        sentence = f"Run {run} is {'being loaded' if self.unit.state is State.STARTING else 'on'}."
        return Reply(request=command.payload.request, accepted=True, sentence=sentence, run=run)

    def _rejection(self, event: events.Event) -> str | None:
        """Why the machine would not carry this out now, without telling it."""
        _, todo = step(self.unit, event)
        return next((effect.sentence for effect in todo if isinstance(effect, effects.Rejected)), None)


def _refused(command: ReceivedCommand, sentence: str, problems: Sequence[str] = (), run: str | None = None) -> Reply:
    request = command.payload.request
    return Reply(request=request, accepted=False, sentence=sentence, problems=list(problems), run=run)


async def _wait(event: asyncio.Event) -> None:
    await event.wait()
