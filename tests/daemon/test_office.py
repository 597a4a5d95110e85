"""Orders over the local socket: ending the daemon, and what is stored."""

from dataclasses import replace
from pathlib import Path

import pytest

from luggin.daemon.ending import Ending
from luggin.daemon.office import Office
from luggin.protocol.unit import State
from support.attended import METHOD, SETTINGS, attended
from support.runs import store_run
from support.scripted import CAPABILITY, Instrument


async def test_a_run_is_left_going_only_where_a_dead_man_timer_bounds_it(tmp_path: Path) -> None:
    async with attended(tmp_path, Instrument()) as bench:
        await bench.ready()
        ending = Ending()
        office = Office(bench.store, {"left": bench.instrument}, ending)
        run = await bench.start()
        reply = await office.handle("shutdown", {"request": "r1", "leave_runs": True}, "anna")
        assert reply.accepted
        assert f"{run} on left for at most 10 s" in reply.sentence
        assert (ending.asked, ending.leave_runs) == (True, True)
        again = await office.handle("shutdown", {"request": "r2", "leave_runs": False}, "anna")
        assert (again.accepted, "ending already" in again.sentence) == (False, True)
        ending.ask(leave_runs=False)
        assert ending.leave_runs, "who asks first decides"
        (entry,) = await bench.store.log(None)
        assert entry.sentence == "anna asked to end the daemon and to leave runs going"


async def test_a_run_without_a_dead_man_timer_is_not_left_alone(tmp_path: Path) -> None:
    driver = Instrument(CAPABILITY.model_copy(update={"dead_man": False}))
    settings = replace(SETTINGS, without_dead_man=True)
    async with attended(tmp_path, driver, settings=settings) as bench:
        await bench.ready()
        ending = Ending()
        office = Office(bench.store, {"left": bench.instrument}, ending)
        await bench.start()
        reply = await office.handle("shutdown", {"request": "r1", "leave_runs": True}, "anna")
        assert (reply.accepted, "no dead-man timer" in reply.sentence, ending.asked) == (False, True, False)
        assert (await office.handle("shutdown", {"request": "r2", "leave_runs": False}, "anna")).accepted


async def test_a_left_run_is_recorded_and_stays_energised(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        assert await bench.instrument.shutdown(5.0, leave_run=True)
        assert bench.instrument.left == run
        await bench.running
        assert "cell_off" not in driver.calls[driver.calls.index("start") :]
        await bench.committed()
        assert (await bench.kinds(run))[-2:] == ["left", "link"]
        assert await bench.store.result(run) is None
        assert bench.instrument.unit.state is State.EXECUTE
    async with attended(tmp_path, driver) as bench:  # the next daemon
        state = await bench.until(lambda each: each.link == "up")
        assert (state.state, state.run) == ("Execute", run)


@pytest.mark.parametrize(
    ("verb", "order", "said"),
    [
        ("delete", {"run": "run-1"}, "reason"),
        ("delete", {"run": "../etc", "reason": "wrong"}, "run"),
        ("shutdown", {}, "leave_runs"),
        ("shutdown", [], "dictionary"),
        ("purge", {"run": "run-1"}, "the second word"),
        ("restore", {"run": "run-9"}, "no run run-9"),
    ],
)
async def test_what_is_refused(tmp_path: Path, verb: str, order: object, said: str) -> None:
    async with attended(tmp_path, Instrument()) as bench:
        await store_run(bench.store, "run-1", 10)
        office = Office(bench.store, {}, Ending())
        asked = {"request": "r1", **order} if isinstance(order, dict) else order
        reply = await office.handle(verb, asked, "anna")
        assert not reply.accepted
        assert said in reply.sentence


async def test_who_deletes_is_recorded(tmp_path: Path) -> None:
    async with attended(tmp_path, Instrument()) as bench:
        await store_run(bench.store, "run-1", 10)
        office = Office(bench.store, {}, Ending())
        for verb, more in (("delete", {"reason": "wrong electrode"}), ("restore", {}), ("delete", {"reason": "again"})):
            assert (await office.handle(verb, {"request": "r1", "run": "run-1", **more}, "anna")).accepted
        assert (await office.handle("purge", {"request": "r1", "run": "run-1"}, "berta")).accepted
        told = [(each.kind, each.data["asked_by"]) for each in await bench.store.log(None)]
        assert told == [("deleted", "anna"), ("restored", "anna"), ("deleted", "anna"), ("purged", "berta")]


async def test_whether_an_instrument_can_execute_a_method(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        log = await bench.store.log("left")
        assert (await bench.order("check", method=METHOD)).sentence == "The none scripted at left can execute it."
        wrong = {**METHOD, "setup": {"reference": "SCE"}}
        wrong["limits"] = {"potential": {"low": -10.0, "high": 10.0, "hard_low": -11.0, "hard_high": 11.0}}
        wrong["phases"] = [{**METHOD["phases"][0], "potential": 9.0}]
        reply = await bench.order("check", method=wrong)
        assert not reply.accepted
        assert len(reply.problems) >= 2
        huge = {**METHOD, "phases": [{**METHOD["phases"][0], "duration": 3e7, "period": 1e-3}]}
        reply = await bench.order("check", method=huge)
        assert any("may take" in each for each in reply.problems), reply.problems
        assert not {"arm", "start"} & set(driver.calls), "nothing is touched"
        await bench.committed()
        assert await bench.store.log("left") == log, "and nothing recorded"
        driver.reachable = False
        driver.drop()
        await bench.until(lambda each: each.link == "lost")
        reply = await bench.order("check", method=METHOD)
        assert (reply.accepted, "not reachable" in reply.sentence) == (False, True)
