"""The conductor with a real store and an instrument that a test plays."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.bell import Bell
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.evaluation.calculator import Calculator
from luggin.daemon.evaluation.evaluator import Evaluator
from luggin.daemon.sequences import Conductor
from luggin.daemon.store import Store
from luggin.protocol import payloads
from luggin.protocol.payloads import Reply, SequenceState, Start
from luggin.protocol.unit import Unit, begin
from support.sequences import sequence
from support.stored_runs import header, result


class Played:
    """An instrument's session whose runs end when the test says so."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.unit: Unit = replace(begin(0.0), token="fresh")
        self.seen: list[str] = []
        self.records: list[tuple[str, bool]] = []
        self.refusal: str | None = None
        self.runs: list[dict[str, Any]] = []
        self.bell = Bell("lab", "left", Board(), Clock())

    async def handle(self, command: ReceivedCommand) -> Reply:
        self.seen.append(command.verb)
        request = command.payload.request
        if command.verb == "start" and isinstance(command.payload, Start):
            if self.refusal is not None:
                return Reply(request=request, accepted=False, sentence=self.refusal)
            run = f"run-{len(self.runs)}"
            self.runs.append(command.payload.method)
            await self.store.begin_run(header(run, "left").model_copy(update={"method": command.payload.method}))
            return Reply(request=request, accepted=True, run=run)
        if command.verb in ("stop", "abort"):
            await self.end("Stopped" if command.verb == "stop" else "Aborted")
        return Reply(request=request, accepted=True)

    def record(self, command: ReceivedCommand, reply: Reply) -> None:
        self.records.append((command.verb, reply.accepted))

    async def end(self, state: str = "Complete") -> None:
        run = f"run-{len(self.runs) - 1}"
        await self.store.finish_run(result(run, 0).model_copy(update={"state": state}))
        await self.store.evaluated(run)


class Hall:
    """A conductor at work."""

    def __init__(self, conductor: Conductor, session: Played, board: Board) -> None:
        self.conductor, self.session, self.board = conductor, session, board
        self.asked = 0

    async def order(self, verb: str, **fields: Any) -> Reply:
        self.asked += 1
        payload = payloads.COMMANDS[verb](request=f"request-{self.asked}", **fields)
        return await self.conductor.handle(ReceivedCommand(verb, "anna", True, payload, "mqtt"))

    async def begin(self, *steps: dict[str, Any], **more: Any) -> Reply:
        reply = await self.order("sequence", token="fresh", sequence=sequence(*steps, **more))
        assert reply.accepted, reply.sentence
        return reply

    async def until(self, true: Callable[[SequenceState], bool]) -> SequenceState:
        serial = 0
        while True:
            serial, fresh = await self.board.newer(serial)
            state = fresh.get("luggin/lab/left/sequence")
            if isinstance(state, SequenceState) and true(state):
                return state

    async def running(self, number: int) -> SequenceState:
        return await self.until(lambda state: state.run == f"run-{number}")

    async def becomes(self, status: str) -> SequenceState:
        return await self.until(lambda state: state.status == status)


@asynccontextmanager
async def hall(store: Store, session: Played | None = None, clock: Clock | None = None) -> AsyncIterator[Hall]:
    session, board = session or Played(store), Board()
    calculator = Calculator(store.path)
    evaluator = Evaluator(store, calculator, "luggin 0")
    conductor = Conductor("lab", "left", session, store, board, clock or Clock(), evaluator)
    task = asyncio.create_task(conductor.run())
    try:
        yield Hall(conductor, session, board)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        await calculator.close()


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "runs.sqlite", interval=0.005) as opened:
        yield opened


async def test_runs_follow_each_other_with_their_sample_and_their_place(store: Store) -> None:
    async with hall(store) as it:
        name = (await it.begin({"run": "dpv", "sample": "outlet"}, {"run": "short"})).data["sequence"]
        await it.running(0)
        await it.session.end()
        await it.running(1)
        await it.session.end()
        await it.becomes("Complete")
        first, second = (each["setup"] for each in it.session.runs)
        assert (first["sample"], first["tags"]) == ("outlet", ["dpv", f"{name}/0"])
        assert second["tags"] == ["short", f"{name}/1"]
        assert it.session.records == [("sequence", True)]


async def test_an_answer_is_as_fresh_as_a_start(store: Store) -> None:
    async with hall(store) as it:
        await it.begin({"prompt": "Add 20 uL of the standard."}, {"run": "dpv"})
        state = await it.until(lambda state: state.prompt == 1)
        assert state.reason == "Add 20 uL of the standard."
        stale = await it.order("answer", token="old", prompt=1)
        assert not stale.accepted
        assert stale.sentence.startswith("The token is out of date")
        late = await it.order("answer", token="fresh", prompt=2)
        assert late.sentence == "Nobody is asked for this now; look at the sequence again."
        assert "start" not in it.session.seen
        assert (await it.order("answer", token="fresh", prompt=1)).accepted
        await it.running(0)
        await it.session.end()
        await it.becomes("Complete")


async def test_nobody_else_starts_a_run_meanwhile(store: Store) -> None:
    async with hall(store) as it:
        await it.begin({"prompt": "wait"})
        refused = await it.order("start", token="fresh", method={})
        assert refused.sentence == "A sequence is on; hold or stop it before you start a run by hand."
        assert (await it.order("sequence", token="fresh", sequence={})).accepted is False
        assert (await it.order("sequence-hold")).accepted
        method = sequence({"run": "dpv"})["methods"]["dpv"]
        assert (await it.order("start", token="fresh", method=method)).accepted


async def test_what_is_wrong_is_said_and_nothing_begins(store: Store) -> None:
    async with hall(store) as it:
        stale = await it.order("sequence", token="old", sequence=sequence({"run": "dpv"}))
        wrong = await it.order("sequence", token="fresh", sequence=sequence({"run": "cv"}))
        assert (stale.accepted, wrong.accepted) == (False, False)
        assert wrong.problems == ["steps = 'cv': no such method stands in this sequence; known are dpv, short"]
        assert (await it.order("sequence-stop")).sentence == "No sequence is on."
        assert it.session.seen == []


@pytest.mark.parametrize(("verb", "ends"), [("sequence-stop", "Stopped"), ("sequence-abort", "Aborted")])
async def test_stop_and_abort_end_the_run_too(store: Store, verb: str, ends: str) -> None:
    async with hall(store) as it:
        await it.begin({"run": "dpv", "times": 5})
        await it.running(0)
        assert (await it.order(verb)).accepted
        await it.becomes(ends)
        assert it.session.seen[-1] == verb.removeprefix("sequence-")


async def test_a_run_that_is_refused_holds_the_sequence(store: Store) -> None:
    async with hall(store) as it:
        it.session.refusal = "The disk is full."
        await it.begin({"run": "dpv"})
        state = await it.becomes("Held")
        assert state.reason == "A run could not start: The disk is full."
        assert it.session.bell.unanswered
        it.session.refusal = None
        assert (await it.order("sequence-unhold", token="fresh")).accepted
        assert not it.session.bell.unanswered
        await it.running(0)


async def test_a_failed_check_flags_the_run(store: Store) -> None:
    async with hall(store) as it:
        await it.begin({"run": "dpv", "checks": [{"quantity": "paracetamol.height", "least": 1e-7}]})
        await it.running(0)
        await it.session.end()
        await it.becomes("Complete")
        await store.event(None, None, "commit", "", urgent=True)
        events = await store.events("run-0")
        assert [(event.kind, event.sentence) for event in events][-1] == (
            "flagged",
            "Run run-0: paracetamol.height was not found.",
        )


@pytest.mark.parametrize(("policy", "status"), [("continue", "Execute"), ("hold", "Holding")])
async def test_a_restart_goes_on_with_the_run_that_was_on(store: Store, policy: str, status: str) -> None:
    session = Played(store)
    async with hall(store, session) as it:
        await it.begin({"run": "dpv", "times": 2}, after_restart=policy)
        await it.running(0)
        await store.event(None, None, "commit", "", urgent=True)
    async with hall(store, session) as it:
        state = await it.running(0)
        assert state.status == status
        await session.end()
        if policy == "continue":
            await it.running(1)
            await session.end()
            await it.becomes("Complete")
        else:
            await it.becomes("Held")
            assert len(session.runs) == 1


async def test_a_run_that_began_unseen_is_found_again(store: Store) -> None:
    """The daemon ended between the start of the run and the record of it."""
    session = Played(store)
    async with hall(store, session) as it:
        await it.begin({"run": "dpv"}, after_restart="continue")
        await it.running(0)
        name = (await it.running(0)).sequence
    entry = await store.newest_entry("left", "sequence")
    assert entry is not None
    unseen = {**entry.data["progress"], "doing": "starting", "run": None, "runs": 0}
    await store.event(None, "left", "sequence", "before", {**entry.data, "progress": unseen}, urgent=True)
    async with hall(store, session) as it:
        assert (await it.running(0)).sequence == name
        await session.end()
        await it.becomes("Complete")
        assert len(session.runs) == 1


async def test_runs_of_a_sequence_are_found_by_their_place(store: Store) -> None:
    """Among runs of others, in order, and evaluated together as the document asks; what fails is said."""
    async with hall(store) as it:
        await store.begin_run(header("other", "right"))
        await it.begin({"run": "dpv", "times": 2}, evaluation={"kind": "peaks"})
        for number in range(2):
            await it.running(number)
            await it.session.end()
        state = await it.until(lambda state: state.status == "Complete" and "evaluated" in state.reason)
        assert state.reason == (
            "All steps are done. It could not be evaluated: peaks is computed from 1 run, not from 2."
        )


async def test_time_goes_on_over_a_restart_of_the_daemon_and_a_step_of_the_wall_clock(store: Store) -> None:
    now = [1000.0, 1.79e9]
    clock = Clock(lambda: now[0], lambda: now[1], lambda: True, lambda: "boot-1")
    session = Played(store)
    async with hall(store, session, clock) as it:
        await it.begin({"wait": "10 min"}, after_restart="continue")
        await it.until(lambda state: state.due == pytest.approx(1.79e9 + 600))
        await store.event(None, None, "commit", "", urgent=True)
    now[0] += 200
    now[1] -= 86400  # somebody set the clock back by a day
    async with hall(store, session, clock) as it:
        state = await it.until(lambda state: state.due is not None)
        assert state.due == pytest.approx(now[1] + 400)


@pytest.mark.parametrize(("synchronised", "left"), [(True, 300.0), (False, 600.0)])
async def test_after_a_reboot_only_a_clock_that_is_kept_is_believed(
    store: Store, synchronised: bool, left: float
) -> None:
    session = Played(store)
    before = Clock(lambda: 1000.0, lambda: 1.79e9, lambda: synchronised, lambda: "boot-1")
    async with hall(store, session, before) as it:
        await it.begin({"wait": "10 min"}, after_restart="continue")
        await it.until(lambda state: state.due is not None)
        await store.event(None, None, "commit", "", urgent=True)
    after = Clock(lambda: 7.0, lambda: 1.79e9 + 300, lambda: synchronised, lambda: "boot-2")
    async with hall(store, session, after) as it:
        state = await it.until(lambda state: state.due is not None)
        assert state.due == pytest.approx(1.79e9 + 300 + left)
