"""The conductor with a real store and an instrument that a test plays."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from luggin.daemon.clock import Clock
from luggin.daemon.store import Store, StoreFault
from luggin.protocol.payloads import RunResult, SequenceState
from support.orchestra import Played, hall
from support.sequences import sequence
from support.stored_runs import header


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


async def test_a_token_works_once(store: Store) -> None:
    async with hall(store) as it:
        await it.begin({"prompt": "Add 20 uL of the standard."}, {"run": "dpv"})
        assert it.session.renewed == 1
        assert not (await it.order("answer", token="fresh", prompt=7)).accepted
        assert it.session.renewed == 1
        assert (await it.order("answer", token="fresh", prompt=1)).accepted
        assert it.session.renewed == 2
        await it.order("sequence-hold")
        assert (await it.order("sequence-unhold", token="fresh")).accepted
        assert it.session.renewed == 3


@pytest.mark.parametrize("verb", ["stop", "abort", "sequence-stop", "sequence-abort"])
async def test_off_reaches_a_run_that_is_about_to_begin(store: Store, verb: str) -> None:
    async with hall(store) as it:
        await it.begin({"run": "dpv"})
        assert (await it.order(verb)).accepted  # the run was asked for, and nothing of it is done yet
        ends = {"sequence-stop": "Stopped", "sequence-abort": "Aborted"}.get(verb, "Held")
        state = await it.becomes(ends)
        if ends == "Held":
            assert state.reason == "A run could not start: anna called it off; the method was not started."
        assert "start" not in it.session.seen


async def test_off_does_not_depend_on_anything_before_it(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def mistaken(_: Played) -> None:
        raise RuntimeError("a mistake")

    async with hall(store) as it:
        await it.begin({"run": "dpv"})
        await it.running(0)
        monkeypatch.setattr(Played, "renew", mistaken)
        assert (await it.order("abort")).accepted
        assert it.session.seen[-1] == "abort"
        await it.becomes("Held")


async def test_whoever_stops_what_is_not_on_is_told_of_the_sequence(store: Store) -> None:
    async with hall(store) as it:
        name = (await it.begin({"wait": "10 min"}, {"run": "dpv"})).data["sequence"]
        reply = await it.order("stop")
        assert not reply.accepted
        assert reply.sentence == (
            f"No run is on. The sequence {name} goes on; sequence-stop or sequence-abort ends it."
        )


async def test_a_store_that_can_not_be_read_for_a_while_holds_nothing_up(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain, failures = store.result, [StoreFault("the disk failed"), StoreFault("the disk failed")]

    async def result(run: str) -> RunResult | None:
        if failures:
            raise failures.pop()
        return await plain(run)

    monkeypatch.setattr(store, "result", result)
    monkeypatch.setattr("luggin.daemon.sequences.runs._AGAIN", 0.0)
    async with hall(store) as it:
        await it.begin({"run": "dpv"})
        await it.running(0)
        await it.session.end()
        await it.becomes("Complete")
        assert failures == []


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


async def test_an_evaluation_that_a_restart_interrupted_is_made(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    session = Played(store)
    with monkeypatch.context() as patched:
        patched.setattr("luggin.daemon.sequences.runs.Runs.all_of", lambda *_: asyncio.Event().wait())
        async with hall(store, session) as it:
            await it.begin({"run": "dpv"}, evaluation={"kind": "levels"})
            await it.running(0)
            await session.end()
            await it.until(lambda state: state.doing == "evaluating")
            await store.event(None, None, "commit", "", urgent=True)
    async with hall(store, session) as it:
        state = await it.until(lambda state: state.status == "Complete" and state.doing == "nothing")
        assert "It could not be evaluated: run run-0 has no points in its measuring phase" in state.reason
    async with hall(store, session) as it:  # once is enough
        assert (await it.until(lambda _: True)).sequence is None


async def test_an_evaluation_that_meets_a_mistake_ends_too(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def mistaken(*_: object) -> None:
        raise RuntimeError("a mistake")

    monkeypatch.setattr("luggin.daemon.sequences.runs.Runs.all_of", mistaken)
    async with hall(store) as it:
        await it.begin({"run": "dpv"}, evaluation={"kind": "levels"})
        await it.running(0)
        await it.session.end()
        state = await it.until(lambda state: state.status == "Complete" and state.doing == "nothing")
        assert state.reason.endswith("the daemon met an unforeseen RuntimeError.")


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


async def waiting(store: Store, synchronised: bool, away: float, **more: str) -> SequenceState:
    """How a sequence stands that waits for 10 min, when the host was restarted and nobody was there for so long."""
    session = Played(store)
    before = Clock(lambda: 1000.0, lambda: 1.79e9, lambda: synchronised, lambda: "boot-1")
    async with hall(store, session, before) as it:
        await it.begin({"wait": "10 min"}, after_restart="continue", **more)
        await it.until(lambda state: state.due is not None)
        await store.event(None, None, "commit", "", urgent=True)
    after = Clock(lambda: 7.0, lambda: 1.79e9 + away, lambda: synchronised, lambda: "boot-2")
    async with hall(store, session, after) as it:
        return await it.until(lambda state: state.status is not None)


async def test_after_a_reboot_a_clock_that_is_kept_is_believed(store: Store) -> None:
    state = await waiting(store, True, 300.0)
    assert state.status == "Execute"
    assert state.due == pytest.approx(1.79e9 + 600)


@pytest.mark.parametrize(
    ("synchronised", "away", "within"), [(False, 300.0, "1 h"), (True, 7200.0, "1 h"), (True, 300.0, "4 min")]
)
async def test_a_sequence_does_not_go_on_by_itself_when_nobody_was_there_for_too_long_or_nobody_knows(
    store: Store, synchronised: bool, away: float, within: str
) -> None:
    assert (await waiting(store, synchronised, away, continue_within=within)).status == "Held"


async def test_signs_of_life_tell_how_long_a_daemon_was_there(store: Store) -> None:
    async with hall(store) as it:
        await it.begin({"prompt": "wait"}, continue_within=0.04)
        seen: set[float] = set()
        serial = -1
        while len(seen) < 3:
            serial = await store.changed(serial)
            entry = await store.newest_entry("left", "sequence")
            if entry is not None:
                seen.add(entry.data["monotonic"])


async def test_a_sequence_that_can_not_be_read_is_an_alarm(store: Store) -> None:
    session = Played(store)
    async with hall(store, session) as it:
        await it.begin({"prompt": "wait"})
        await store.event(None, None, "commit", "", urgent=True)
    begun, moved = await store.newest_entry("left", "sequence-begun"), await store.newest_entry("left", "sequence")
    assert begun is not None
    assert moved is not None
    await store.event(None, "left", "sequence-begun", "again", {**begun.data, "document": {}}, urgent=True)
    await store.event(None, "left", "sequence", "again", moved.data, urgent=True)
    async with hall(store, session) as it:
        await it.until(lambda state: state.sequence is None)
        assert session.bell.unanswered
