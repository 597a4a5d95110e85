"""One instrument of the daemon, with a real store and an instrument that a test plays."""

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.clock import Clock
from luggin.drivers.errors import NoAnswer, Refused
from luggin.protocol.instrument import Cell, Outcome, Receipt
from support.attended import METHOD, SETTINGS, attended, longer
from support.scripted import CAPABILITY, Instrument

QUICKLY_FED = {**METHOD, "dead_man": {"timeout": 0.5}}


async def test_a_run_from_start_to_idle(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        driver.measure(30)
        driver.measure(20)
        driver.end(Outcome.COMPLETED)
        state = await bench.becomes("Idle")
        assert (state.run, state.cell, state.reason) == (None, Cell.OFF, "The run is complete.")
        result = await bench.store.result(run)
        assert result is not None
        assert (result.state, result.outcome, result.points, result.gaps) == ("Complete", "completed", 50, [])
        assert driver.acknowledged == 50
        assert await bench.kinds(run) == ["state", "state", "command", "ended", "state", "state"]
        assert [anchor.run for anchor in await bench.store.anchors(run)] == [run]
        assert await bench.store.verify(run) == []


async def test_the_header_tells_everything_needed_to_repeat_a_run(tmp_path: Path) -> None:
    async with attended(tmp_path) as bench:
        await bench.ready()
        run = await bench.start()
        header = await bench.store.header(run)
    assert header.method["setup"]["sample"] == "column outlet, invented"
    assert header.program["technique"] == "chronoamperometry"
    assert header.bounds["points"] == 10_000
    assert header.identity["model"] == "scripted"
    assert header.settings == {
        "reference": "Ag/AgCl (3 M KCl)",
        "electrode": "gc-3",
        "area": None,
        "notes": "",
        "without_dead_man": False,
        "driver": "scripted",
    }
    assert (header.asked_by, header.verified, header.boot) == ("anna", True, "boot-1")
    assert header.columns["potential"] == "V"
    assert header.software.startswith("luggin ")


async def test_points_are_acknowledged_only_once_they_are_durable(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver, interval=3600.0, slow_interval=3600.0) as bench:
        await bench.ready()
        run = await bench.start(QUICKLY_FED)
        await driver.asked("keep_alive")  # everything about the start is on the disk by then
        driver.measure(10)
        await driver.asked("status", driver.calls.count("status") + 2)
        assert "acknowledge" not in driver.calls
        await bench.committed()
        await driver.asked("acknowledge")
        assert (driver.acknowledged, await bench.store.stored_after(run)) == (10, 10)


async def test_points_beyond_a_limit_switch_the_cell_off_and_are_kept(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver, interval=3600.0, slow_interval=3600.0) as bench:
        await bench.ready()
        run = await bench.start()
        asked = driver.calls.count("cell_off")
        driver.measure(5)
        driver.measure(5, potential=3.0)
        await driver.asked("cell_off", asked + 1)
        state = await bench.becomes("Aborted")
        assert "potential 3 V is above its hard limit" in state.reason
        assert bench.alarm.kind == "aborted"
        await bench.committed()
        await bench.until(lambda each: each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert (result.outcome, result.points) == ("limit", 10), "the points that show it are kept"


async def test_a_batch_is_judged_while_answers_are_awaited(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver, intervals=longer(silence=60.0)) as bench:
        await bench.ready()
        await bench.start(QUICKLY_FED)
        for call in ("keep_alive", "acknowledge", "status"):
            driver.hanging.add(call)
            driver.measure(1)
            await driver.asked(call, driver.calls.count(call) + 1)
        driver.measure(5, potential=3.0)
        await bench.becomes("Aborted")


async def test_an_instrument_is_fed_after_news_and_not_once_it_should_be_off(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        assert not driver.fed
        await bench.start(QUICKLY_FED)
        await driver.asked("keep_alive", 5)
        assert max(b - a for a, b in zip(driver.fed, driver.fed[1:], strict=False)) < 0.5
        driver.receipts = [Receipt(Cell.UNKNOWN)] * 100
        await bench.order("abort")
        fed = len(driver.fed)
        await driver.asked("status", driver.calls.count("status") + 3)
        assert len(driver.fed) == fed


async def test_an_instrument_that_says_nothing_is_not_fed_and_its_link_is_lost(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        await bench.start()
        driver.hanging |= {"status"}
        state = await bench.until(lambda each: each.link == "lost")
        assert (state.state, state.cell) == ("Execute", Cell.ON)
        await bench.committed()
        sentences = [event.sentence for event in await bench.store.events(state.run or "") if event.kind == "link"]
        assert sentences == ["The link is lost: the instrument said nothing for 0.6 s."]
        driver.hanging.clear()
        assert (await bench.until(lambda each: each.link == "up")).state == "Execute"


async def test_after_a_cut_the_run_is_adopted_and_no_point_is_missing(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        driver.measure(10)
        await driver.asked("acknowledge")
        driver.reachable = False
        driver.drop()
        await bench.until(lambda each: each.link == "lost")
        driver.measure(25)
        driver.reachable = True
        await bench.until(lambda each: each.link == "up")
        driver.measure(5)
        driver.end(Outcome.COMPLETED)
        await bench.becomes("Idle")
        result = await bench.store.result(run)
        assert result is not None
        assert (result.state, result.points, result.gaps) == ("Complete", 40, [])
        kinds = await bench.kinds(run)
        assert kinds.index("link") < kinds.index("adopted")
        assert len(await bench.store.anchors(run)) == 2


async def test_a_restarted_instrument_ends_the_run_and_what_is_gone_is_recorded(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        driver.measure(10)
        await driver.asked("acknowledge")
        driver.restart()
        await bench.until(lambda each: each.state == "Aborted" and each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert (result.outcome, result.points) == ("restarted", 10)
        assert "lost" in await bench.kinds(run)


async def test_an_unconfirmed_cell_off_is_told_and_tried_until_it_is(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        await bench.start()
        driver.hanging |= {"cell_off"}
        reply = await bench.order("abort")
        assert reply.accepted
        assert "NOT confirmed off" in reply.sentence
        assert (bench.state.cell, bench.alarm.kind) == (Cell.UNKNOWN, "cell-unknown")
        assert "no answer within 0.3 s" in bench.alarm.sentence
        assert not (await bench.order("clear")).accepted
        driver.hanging.clear()
        assert (await bench.becomes("Aborted")).cell is Cell.OFF
        assert bench.alarm.kind == "aborted"


async def test_after_an_abort_somebody_has_to_clear(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        await bench.start()
        reply = await bench.order("abort")
        assert "The cell is confirmed off." in reply.sentence
        await bench.until(lambda each: each.run is None)
        refused = await bench.order("start", token=bench.state.token, method=METHOD)
        assert "clear" in refused.sentence
        await bench.order("clear")
        await bench.becomes("Idle")
        assert not bench.alarm.active
        await bench.start()


@pytest.mark.parametrize("call", ["status", "keep_alive", "acknowledge", "read"])
async def test_an_error_that_nobody_foresaw_is_a_fault_and_not_the_end(tmp_path: Path, call: str) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver, intervals=longer(health=0.05)) as bench:
        await bench.ready()
        await bench.start(QUICKLY_FED)
        asked = driver.calls.count("cell_off")
        driver.failing[call] = ZeroDivisionError("invented")
        driver.measure(3)
        await driver.asked("cell_off", asked + 1)
        driver.failing.clear()
        state = await bench.until(lambda each: each.state == "Aborted" and each.link == "up")
        assert "unforeseen ZeroDivisionError" in state.reason
        assert bench.alarm.kind == "aborted"
        await bench.until(lambda each: each.run is None)
        await bench.order("clear")
        await bench.becomes("Idle")
        await bench.start()


async def test_a_driver_that_can_t_even_open_is_tried_again(tmp_path: Path) -> None:
    driver = Instrument()
    driver.failing["status"] = ZeroDivisionError("invented")
    async with attended(tmp_path, driver) as bench:
        await driver.asked("status", 3)
        driver.failing.clear()
        await bench.becomes("Aborted")


async def test_hold_and_go_on(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        assert (await bench.order("hold")).accepted
        held = await bench.becomes("Held")
        assert not (await bench.order("unhold", token="old")).accepted
        assert (await bench.order("unhold", token=held.token)).accepted
        await bench.becomes("Execute")
        assert (await bench.order("stop")).accepted
        await bench.becomes("Idle")
        result = await bench.store.result(run)
        assert result is not None
        assert (result.state, result.flagged) == ("Stopped", True)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"technique": "chronomancy"}, "technique = 'chronomancy'"),
        ({"setup": {"reference": "SCE"}}, "setup.reference = 'SCE'"),
        ({"phases": [{**METHOD["phases"][0], "potential": 9.0}], "limits": {}}, "outside the instrument's window"),
    ],
)
async def test_a_method_that_can_t_run_is_refused_with_every_problem(
    tmp_path: Path, change: dict[str, Any], words: str
) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        reply = await bench.order("start", token=bench.state.token, method={**METHOD, **change})
        assert not reply.accepted
        assert any(words in problem for problem in reply.problems)
        assert bench.state.state == "Idle"
        assert "arm" not in driver.calls
        await bench.committed()
        assert [entry.kind for entry in await bench.store.log("left")] == ["command"]


async def test_without_a_dead_man_timer_work_needs_consent_that_is_recorded(tmp_path: Path) -> None:
    driver = Instrument(CAPABILITY.model_copy(update={"dead_man": False}))
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        reply = await bench.order("start", token=bench.state.token, method=METHOD)
        assert "without_dead_man" in reply.sentence
    async with attended(tmp_path, driver, settings=replace(SETTINGS, without_dead_man=True)) as bench:
        await bench.ready()
        run = await bench.start()
        assert (await bench.store.header(run)).settings["without_dead_man"] is True


async def test_a_disk_without_room_refuses_the_start(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver, largest=9_000_000) as bench:
        await bench.ready()
        phase = {**METHOD["phases"][0], "duration": 1e7}
        reply = await bench.order("start", token=bench.state.token, method={**METHOD, "phases": [phase]})
        assert not reply.accepted
        assert "can't be stored" in reply.sentence
        assert (bench.state.state, bench.state.run) == ("Idle", None)
        assert "arm" not in driver.calls
        await bench.start()


async def test_what_the_instrument_refuses_to_load_leaves_no_fault(tmp_path: Path) -> None:
    driver = Instrument()
    driver.failing["arm"] = Refused("scripted instrument: no such range")
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        reply = await bench.order("start", token=bench.state.token, method=METHOD)
        assert (reply.accepted, reply.sentence) == (False, "scripted instrument: no such range.")
        assert (await bench.becomes("Idle")).cell is Cell.OFF
        driver.failing.clear()
        await bench.start()


async def test_an_unanswered_start_is_made_safe(tmp_path: Path) -> None:
    driver = Instrument()
    driver.failing["start"] = NoAnswer("scripted instrument: no answer")
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        reply = await bench.order("start", token=bench.state.token, method=METHOD)
        assert not reply.accepted
        await bench.becomes("Aborted")


async def test_an_abort_overtakes_a_start_that_hangs(tmp_path: Path) -> None:
    driver = Instrument()
    driver.hanging.add("arm")
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        starting = asyncio.create_task(bench.order("start", token=bench.state.token, method=METHOD))
        await driver.asked("arm")
        asked = driver.calls.count("cell_off")
        assert (await bench.order("abort")).accepted
        assert driver.calls.count("cell_off") == asked + 1
        assert not (await starting).accepted
        assert "start" not in driver.calls


async def test_a_token_starts_one_run(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        token = (await bench.ready()).token
        both = await asyncio.gather(*(bench.order("start", token=token, method=METHOD) for _ in range(2)))
        assert [reply.accepted for reply in both] == [True, False]
        assert driver.calls.count("start") == 1


async def test_a_token_that_was_renewed_starts_nothing(tmp_path: Path) -> None:
    async with attended(tmp_path) as bench:
        old = (await bench.ready()).token
        bench.instrument.renew()
        assert bench.state.token not in ("", old)
        assert not (await bench.order("start", token=old, method=METHOD)).accepted
        await bench.start()


async def test_commands_are_recorded_with_their_sender(tmp_path: Path) -> None:
    async with attended(tmp_path) as bench:
        await bench.ready()
        run = await bench.start()
        await bench.order("unhold", token="old")
        await bench.order("stop")
        await bench.becomes("Idle")
        commands = [event for event in await bench.store.events(run) if event.kind == "command"]
    assert [(each.data["verb"], each.data["accepted"]) for each in commands] == [
        ("start", True),
        ("unhold", False),
        ("stop", True),
    ]
    assert commands[0].data["client"] == "anna"
    assert commands[0].data["verified"] is True
    assert commands[0].data["origin"] == "mqtt"


async def test_clocks_are_noted_again_and_again(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver, intervals=longer(health=0.01, anchor=0.02)) as bench:
        await bench.ready()
        run = await bench.start()
        while len(await bench.store.anchors(run)) < 4:
            await bench.store.changed(bench.store.serial)
        times = [(anchor.monotonic, anchor.instrument_time) for anchor in await bench.store.anchors(run)]
        assert times == sorted(times)


async def test_wall_time_may_jump(tmp_path: Path) -> None:
    jump = 0.0
    base = 1_790_000_000.0

    def utc() -> float:
        return base + asyncio.get_running_loop().time() + jump

    driver = Instrument()
    async with attended(tmp_path, driver, clock=Clock(utc=utc)) as bench:
        await bench.ready()
        run = await bench.start()
        for jump in (3e8, -3e8):  # noqa: B007
            driver.measure(10)
            await driver.asked("acknowledge", driver.calls.count("acknowledge") + 1)
            assert (bench.instrument.unit.state, bench.instrument.unit.link) == ("Execute", "up")
        times = [batch.columns["time"] for batch in await bench.store.points(run)]
        assert [time for batch in times for time in batch] == pytest.approx([0.1 * (n + 1) for n in range(20)])


# The way down


async def test_shutdown_switches_off_records_and_ends(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        driver.measure(10)
        assert await bench.instrument.shutdown(5.0)
        result = await bench.store.result(run)
        assert result is not None
        assert (result.outcome, result.points, result.cell) == ("shutdown", 10, Cell.OFF)


async def test_shutdown_says_when_the_cell_is_not_confirmed_off(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        await bench.start()
        driver.hanging.add("cell_off")
        assert not await bench.instrument.shutdown(0.5)
        await bench.committed()
        log = await bench.store.log("left")
    assert [entry.data for entry in log if entry.kind == "cell"] == [{"cell": "unknown"}]


async def test_an_interrupted_run_of_the_session_goes_on_where_it_was(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        bench.running.cancel()
        await asyncio.wait({bench.running})
        assert (bench.instrument.unit.state, bench.instrument.unit.cell) == ("Aborted", Cell.OFF)
        again = asyncio.create_task(bench.instrument.run())
        await bench.until(lambda each: each.run is None)
        assert await bench.store.result(run) is not None
        await bench.instrument.shutdown()
        await again


async def test_an_idle_instrument_that_was_confirmed_off_holds_nothing_up(tmp_path: Path) -> None:
    async with attended(tmp_path) as bench:
        await bench.ready()
        assert await bench.instrument.shutdown(60.0)


async def test_a_daemon_that_is_torn_down_switches_off_first(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        await bench.start()
        asked = driver.calls.count("cell_off")
        task = next(
            task for task in asyncio.all_tasks() if getattr(task.get_coro(), "__qualname__", "") == "Instrument.run"
        )
        task.cancel()
        await asyncio.wait({task})
        assert driver.calls.count("cell_off") == asked + 1
        assert bench.instrument.unit.cell is Cell.OFF


# A word for an unreachable instrument


async def test_an_attestation_is_recorded_and_clears_what_can_t_be_reached(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        run = await bench.start()
        driver.measure(4)
        await driver.asked("acknowledge")
        driver.reachable = False
        driver.drop()
        await bench.until(lambda each: each.link == "lost")
        await bench.order("abort")
        statement = "unplugged at the wall"
        assert (await bench.order("attest", person="Anna Example", statement=statement)).accepted
        assert (await bench.order("clear")).accepted
        state = await bench.becomes("Idle")
        assert (state.cell, bench.alarm.kind) == (Cell.UNKNOWN, "cell-unknown")
        assert any(event.kind == "attested" and statement in event.sentence for event in await bench.store.events(run))
        result = await bench.store.result(run)
        assert result is not None
        assert (result.points, result.cell) == (4, Cell.UNKNOWN)
        # It comes back and still holds points of that run: they are fetched, late as they are.
        driver.measure(6)
        driver.reachable = True
        await bench.until(lambda each: each.cell == "off" and each.link == "up")
        while driver.acknowledged < 10:
            await driver.asked("acknowledge", driver.calls.count("acknowledge") + 1)
        assert await bench.store.stored_after(run) == 10
