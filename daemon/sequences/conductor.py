"""Carries out the sequence of one instrument: runs the machine of protocol.sequence and does what it asks for."""

import asyncio
import secrets
import time
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any, ParamSpec, Protocol

import structlog

from luggin.daemon.bell import Bell, Call
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.evaluator import Evaluator
from luggin.daemon.sequences.memory import Memory, Patron, Remembered
from luggin.daemon.sequences.performance import Performance, state_of
from luggin.daemon.sequences.pre_flight import PreFlight
from luggin.daemon.sequences.runs import Runs, method_of
from luggin.daemon.store import Store, StoreError
from luggin.protocol import topics
from luggin.protocol.evaluation import settings_of
from luggin.protocol.payloads import Answer, Reply, Start, StartSequence, Unhold
from luggin.protocol.problem import DocumentError
from luggin.protocol.sequence import (
    OVER,
    Status,
    begin,
    effects,
    events,
    next_deadline,
    parse,
    step,
)
from luggin.protocol.unit import Unit

_PLAIN: dict[str, type[events.Command]] = {
    "sequence-hold": events.Hold,
    "sequence-skip": events.Skip,
    "sequence-stop": events.Stop,
    "sequence-abort": events.Abort,
}
P = ParamSpec("P")
_SIGNS = 4
"""Signs of life within the time for which a daemon may have been away before a sequence goes on by itself."""
VERBS = frozenset({"sequence", "sequence-unhold", "answer", *_PLAIN})


class Session(Protocol):
    """What a sequence needs of its instrument."""

    @property
    def unit(self) -> Unit: ...

    async def handle(self, command: ReceivedCommand) -> Reply: ...

    def renew(self) -> None: ...

    def record(self, command: ReceivedCommand, reply: Reply) -> None: ...

    @property
    def bell(self) -> Bell: ...


class Conductor:
    """Stands before an instrument's session: takes the commands to its sequence, and hands the others on.

    While a sequence is on and not held, nobody else starts a run.
    """

    def __init__(
        self, node: str, name: str, session: Session, store: Store, board: Board, clock: Clock, evaluator: Evaluator
    ) -> None:
        self._node, self._name, self._session, self._board, self._clock = node, name, session, board, clock
        self._evaluator = evaluator
        self._log = structlog.get_logger(__name__).bind(instrument=name)
        self._store = store
        self._memory = Memory(name, store, clock)
        self._runs = Runs(name, session, store)
        self._pre_flight = PreFlight(self._runs)
        self._on: Performance | None = None
        self._moved = asyncio.Event()
        self._recalled = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._lost = ""

    async def run(self) -> None:
        """Go on with what an earlier daemon began, then keep time.  Returns only by cancellation."""
        try:
            await self._recall()
            while True:
                self._moved.clear()
                try:
                    async with asyncio.timeout(self._rest()):
                        await self._moved.wait()
                except TimeoutError:
                    self._look_at_the_clock()
        finally:
            tasks = set(self._tasks)
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _rest(self) -> float | None:
        """Seconds until the clock has to be looked at; None while there is no sequence."""
        on = self._on
        if on is None or on.progress.status in OVER:
            return None
        often = on.document.continue_within / _SIGNS
        due = next_deadline(on.progress)
        return often if due is None else max(0.0, min(often, on.origin + due - self._clock.monotonic()))

    def _look_at_the_clock(self) -> None:
        """Go on if it is time; else leave a sign of life, by which the next daemon knows how long none was there."""
        on = self._on
        if on is not None and not self._feed(events.Tick(self._at())):
            self._memory.keep(on.name, on.progress, [])

    async def _recall(self) -> None:
        if not self._recalled.is_set():
            try:
                found = await self._memory.recall()
                if found is not None:
                    await self._go_on(found)
            except (StoreError, DocumentError, KeyError, ValueError) as error:
                self._lost = f"A sequence that was on can't be read and is not gone on with: {error}"
                self._log.error("a sequence that was on can't be read", reason=str(error))
            self._post()
            self._recalled.set()

    async def _go_on(self, found: Remembered) -> None:
        origin = self._clock.monotonic() - found.progress.at - (found.passed or 0.0)
        on = self._on = Performance(found.name, found.document, found.patron, origin)
        on.progress = found.progress
        if on.progress.status in OVER:
            self._spawn(self._evaluate, on, on.document.evaluation or {})
            return
        run = found.progress.run or await self._runs.of(found.name, found.progress.runs)
        policy, soon = found.document.after_restart, found.document.continue_within
        late = found.passed is None or found.passed > soon
        self._feed(events.Restarted(self._at(), "hold" if policy == "continue" and late else policy, run))
        if on.progress.run is not None:
            self._spawn(self._watch, on, on.progress.run)

    # Commands

    async def handle(self, command: ReceivedCommand) -> Reply:
        if command.verb not in VERBS and not (command.verb == "start" and self._busy()):
            return await self._hand_on(command)
        await self._recalled.wait()
        reply = await self._obey(command)
        self._session.record(command, reply)
        return reply

    async def _hand_on(self, command: ReceivedCommand) -> Reply:
        """To the session; a start that wants it by way of a look at the cell."""
        if command.verb in ("stop", "abort"):
            return await self._off(command)
        start = command.payload
        if not isinstance(start, Start) or start.method.get("pre_flight") is None:
            return await self._session.handle(command)
        reply = await self._pre_flight.start(Patron.of(command), start.method, self._runs.offs, start.token)
        return reply.model_copy(update={"request": start.request})

    async def _off(self, command: ReceivedCommand) -> Reply:
        """Besides what is on, off ends what is about to begin."""
        about = self._pre_flight.on or (self._on is not None and self._on.progress.doing == "starting")
        try:
            self._runs.call_off(command.client)
        except Exception:  # whatever goes wrong here, what is on must end
            self._log.exception("what was about to begin could not be called off")
        reply = await self._session.handle(command)
        if not about:
            if reply.accepted or self._on is None or not self._busy():
                return reply
            goes_on = f"{reply.sentence} The sequence {self._on.name} goes on; sequence-stop or sequence-abort ends it."
            return reply.model_copy(update={"sentence": goes_on})
        words = f"{reply.sentence} The method that was to follow is called off."
        reply = reply.model_copy(update={"accepted": True, "sentence": words})
        self._session.record(command, reply)
        return reply

    async def _obey(self, command: ReceivedCommand) -> Reply:
        payload = command.payload
        if command.verb == "start":
            return _refused(command, "A sequence is on; hold or stop it before you start a run by hand.")
        if isinstance(payload, StartSequence):
            return await self._start(command, payload)
        if isinstance(payload, Answer | Unhold) and not self._fresh(payload.token):
            return _refused(command, "The token is out of date; read the state again and quote its token.")
        if self._on is None:
            return _refused(command, "No sequence is on.")
        ending = command.verb in ("sequence-skip", "sequence-stop", "sequence-abort")
        if ending:
            self._runs.call_off(command.client)
        at, by = self._at(), command.client
        if isinstance(payload, Answer):
            event: events.Command = events.Answer(at, by, payload.prompt, payload.words)
        elif isinstance(payload, Unhold):
            event = events.Unhold(at, by)
        else:
            event = _PLAIN[command.verb](at, by)
        todo = self._feed(event)
        if ending and self._pre_flight.on:
            await self._runs.end(Patron.of(command), "abort" if command.verb == "sequence-abort" else "stop")
        for effect in todo:
            if isinstance(effect, effects.Rejected):
                return _refused(command, effect.sentence)
        if isinstance(payload, Answer | Unhold):
            self._session.renew()  # a token works once
        return self._accepted(command)

    def _busy(self) -> bool:
        return self._on is not None and self._on.progress.status not in OVER | {Status.HELD}

    def _fresh(self, token: str) -> bool:
        return bool(token) and token == self._session.unit.token

    async def _start(self, command: ReceivedCommand, start: StartSequence) -> Reply:
        if self._on is not None and self._on.progress.status not in OVER:
            return _refused(command, f"The sequence {self._on.name} is on already; stop it first.")
        if not self._fresh(start.token):
            return _refused(command, "The token is out of date; read the state again and quote its token.")
        try:
            document = parse(start.sequence)
        except DocumentError as error:
            problems = [str(problem) for problem in error.problems]
            return _refused(command, "The sequence can't be used: " + "; ".join(problems), problems)
        if (sentence := await self._runs.refusal(document, command)) is not None:
            return _refused(command, sentence)
        if not self._fresh(start.token):
            return _refused(command, "The token is out of date; read the state again and quote its token.")
        self._session.renew()  # a token works once
        moment = time.strftime("%Y%m%d-%H%M%S", time.gmtime(self._clock.utc()))
        name = f"{moment}-{document.name[:40]}-{secrets.token_hex(2)}"
        on = Performance(name, document, Patron.of(command), self._clock.monotonic())
        try:
            await self._memory.begin(name, document, on.patron)
        except StoreError as error:
            return _refused(command, f"The sequence can't be stored: {error}.")
        if self._on is not None and self._on.progress.status not in OVER:
            return _refused(command, f"The sequence {self._on.name} is on already; stop it first.")
        self._on, self._lost = on, ""
        on.progress, todo = begin(on.course)
        self._do(on, todo)
        return self._accepted(command)

    def _accepted(self, command: ReceivedCommand) -> Reply:
        on = self._on
        assert on is not None
        sentence = f"The sequence {on.name} is in {on.progress.status}."
        data = {"sequence": on.name}
        return Reply(request=command.payload.request, accepted=True, sentence=sentence, run=on.progress.run, data=data)

    # The machine

    def _at(self) -> float:
        assert self._on is not None
        return self._clock.monotonic() - self._on.origin

    def _feed(self, event: events.Event) -> tuple[effects.Effect, ...]:
        on = self._on
        if on is None:
            return ()
        before = on.progress
        on.progress, todo = step(on.course, before, event)
        if todo or on.progress.model_copy(update={"at": before.at}) != before:
            self._do(on, todo)
        return todo

    def _do(self, on: Performance, todo: tuple[effects.Effect, ...]) -> None:
        """Keep where the sequence stands, tell it, and do what it asks for: a run starts only once that is durable."""
        notes = [
            {"kind": each.kind, "sentence": each.sentence, **each.data}
            for each in todo
            if isinstance(each, effects.Record)
        ]
        evaluation = on.document.evaluation if on.progress.status is Status.COMPLETE else None
        if evaluation is not None:
            on.progress = on.progress.model_copy(update={"doing": "evaluating"})
        kept = self._memory.keep(on.name, on.progress, notes)
        for effect in todo:
            match effect:
                case effects.StartRun():
                    self._spawn(self._start_run, on, effect, kept, self._runs.offs)
                case effects.EndRun():
                    self._spawn(self._runs.end, on.patron, effect.how)
                case effects.Flag():
                    self._store.event(effect.run, self._name, "flagged", effect.sentence, {"sequence": on.name})
        if evaluation is not None:
            self._spawn(self._evaluate, on, evaluation)
        self._post()
        self._moved.set()

    async def _evaluate(self, on: Performance, given: dict[str, Any]) -> None:
        """What the document asks to be computed from all runs; one that fails changes nothing else."""
        try:
            runs = await self._runs.all_of(on.name, on.progress.runs)
            settings = settings_of(str(given["kind"]), given)
            made = await self._evaluator.make(runs, settings, on.patron.client, on.patron.verified)
            name, outcome = made.name, f"Evaluated as {made.name}."
        except (EvaluationError, StoreError) as error:
            name, outcome = "", f"It could not be evaluated: {error}."
        except Exception as error:
            self._log.exception("a sequence could not be evaluated")
            name, outcome = "", f"It could not be evaluated: the daemon met an unforeseen {type(error).__name__}."
        over = {"reason": f"{on.progress.reason} {outcome}", "doing": "nothing", "evaluation": name}
        on.progress = on.progress.model_copy(update=over)
        if on is self._on:  # else another one is remembered by now
            self._memory.keep(on.name, on.progress, [{"kind": "evaluation", "sentence": outcome}])
            self._post()

    async def _start_run(self, on: Performance, asked: effects.StartRun, kept: Awaitable[int], since: int) -> None:
        try:
            await kept
        except StoreError as error:
            sentence = f"it can't be recorded: {error}."
            self._news(on, lambda at: events.Refused(at, sentence))
            return
        reply = await self._pre_flight.start(on.patron, method_of(on.name, on.document, asked), since)
        if reply.run is None or not reply.accepted:
            self._news(on, lambda at: events.Refused(at, reply.sentence))
            return
        run = reply.run
        self._news(on, lambda at: events.Started(at, run))
        await self._watch(on, run)

    async def _watch(self, on: Performance, run: str) -> None:
        """Until the run is over and evaluated."""
        ended = await self._runs.over(run)
        self._news(on, lambda at: events.Ended(at, run, ended.state, ended.sentence, ended.quantities))

    def _news(self, on: Performance, event: Callable[[float], events.Event]) -> None:
        if on is self._on:
            self._feed(event(self._at()))

    def _spawn(self, work: Callable[P, Awaitable[None]], *args: P.args, **_: P.kwargs) -> None:
        task = asyncio.create_task(self._guarded(partial(work, *args)), name=f"{self._name}: sequence")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _guarded(self, work: Callable[[], Awaitable[None]]) -> None:
        """An unforeseen error holds the sequence: what it was about to do is for a person to decide."""
        try:
            await work()
        except Exception as error:
            self._log.exception("a sequence met an unforeseen error")
            if self._on is not None:
                self._feed(events.Refused(self._at(), f"the daemon met an unforeseen {type(error).__name__}."))
                self._feed(events.Hold(self._at(), "the daemon"))

    # For people

    def _post(self) -> None:
        on = self._on
        calls = on is not None and on.progress.calls and on.progress.status in (Status.HOLDING, Status.HELD)
        held = Call("sequence-held", on.progress.reason) if on is not None and calls else None
        self._session.bell.call("sequence", Call("sequence-lost", self._lost) if self._lost else held)
        state = state_of(self._node, self._name, on, self._clock.monotonic(), self._clock.utc())
        self._board.post(topics.instrument(self._node, self._name, "sequence"), state)


def _refused(command: ReceivedCommand, sentence: str, problems: list[str] | None = None) -> Reply:
    request = command.payload.request
    return Reply(request=request, accepted=False, sentence=sentence, problems=problems or [])
