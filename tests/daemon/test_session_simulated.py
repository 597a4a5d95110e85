"""The session with the simulated instrument behind the real link: what it stores is what was measured."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from luggin.daemon.settings import InstrumentSettings, Intervals
from luggin.daemon.store import Store
from luggin.protocol.instrument import Cell
from luggin.protocol.points import Array, Batch
from luggin.sim.driver import SimDriver
from luggin.sim.faults import parse_fault
from luggin.sim.settings import Settings
from support.attended import REFERENCE, attended

INTERVALS = Intervals(connect=5.0, reconnect=(0.01, 0.05), poll_running=0.1, poll_idle=0.1, silence=1.0, cell_off=1.0)
SETTINGS = InstrumentSettings(reference=REFERENCE)


class Log:
    """What the instrument measured, kept beside it."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []

    def points(self, batch: Batch) -> None:
        kept = {name: np.array(column) for name, column in batch.columns.items()}
        self.batches.append(Batch(batch.run, batch.boot, batch.first, kept))

    def event(self, run: str, time: float, what: str, value: object) -> None:
        pass


def method(duration: float, timeout: float = 2.0, **more: Any) -> dict[str, Any]:
    return {
        "version": 1,
        "name": "column-hold",
        "technique": "chronoamperometry",
        "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
        "phases": [{"phase": "measure", "potential": 0.1, "duration": duration, "period": 0.02}],
        "dead_man": {"timeout": timeout},
        **more,
    }


def simulated(log: Log, speed: float, *faults: str, **settings: Any) -> SimDriver:
    made = Settings.parse({"cell": "redox-probe", "speed": speed, **settings})
    return SimDriver(made, tuple(parse_fault(fault) for fault in faults), log)


async def assert_the_same(store: Store, run: str, log: Log) -> int:
    """Point for point, what is stored is what the instrument measured; how many points."""
    measured, stored = _columns(log.batches), _columns(await store.points(run, limit=10**6))
    assert stored["index"].tolist() == list(range(len(stored["index"])))
    for name, column in stored.items():
        assert np.array_equal(column, measured[name][: len(column)], equal_nan=True), name
    return len(stored["index"])


def _columns(batches: list[Batch]) -> dict[str, Array]:
    index = np.concatenate([np.arange(batch.first, batch.after) for batch in batches])
    names = batches[0].columns
    return {"index": index, **{name: np.concatenate([batch.columns[name] for batch in batches]) for name in names}}


@pytest.mark.parametrize("fault", ["crumbs", "drop@10", "stall=0.5@10", "loss=0.05", "garble=0.001", "delay=0.02"])
async def test_no_point_is_lost_whatever_the_line_does(tmp_path: Path, fault: str) -> None:
    log = Log()
    async with attended(tmp_path, simulated(log, 50.0, fault), settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        run = await bench.start(method(30.0))
        await bench.until(lambda each: each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert (result.state, result.gaps, result.points) == ("Complete", [], 1500)
        assert await assert_the_same(bench.store, run, log) == 1500


async def test_a_host_that_was_away_for_too_long_finds_the_points_and_the_reason(tmp_path: Path) -> None:
    log = Log()
    driver = simulated(log, 20.0, "stall=2@10")  # well beyond the silence after which the link counts as lost
    async with attended(tmp_path, driver, settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        run = await bench.start(method(1000.0, timeout=0.5))
        await bench.until(lambda each: each.state == "Aborted" and each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert (result.outcome, result.gaps) == ("dead-man", [])
        assert await assert_the_same(bench.store, run, log) == result.points > 100


async def test_an_instrument_that_loses_its_power_leaves_what_it_had_sent(tmp_path: Path) -> None:
    log = Log()
    async with attended(tmp_path, simulated(log, 50.0, "reboot@50"), settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        run = await bench.start(method(100.0))
        state = await bench.until(lambda each: each.state == "Aborted" and each.run is None)
        assert state.cell is Cell.OFF
        result = await bench.store.result(run)
        assert result is not None
        assert result.outcome == "restarted"
        assert "lost" in await bench.kinds(run)
        assert await assert_the_same(bench.store, run, log) == result.points > 0


async def test_a_lost_reference_ends_the_run_at_once(tmp_path: Path) -> None:
    log = Log()
    driver = simulated(log, 1.0, "reference-lost@0.5")
    async with attended(tmp_path, driver, settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        run = await bench.start(method(100.0))
        state = await bench.until(lambda each: each.state == "Aborted" and each.run is None)
        assert state.cell is Cell.OFF
        result = await bench.store.result(run)
        assert result is not None
        assert result.outcome in ("limit", "control-overload")
        assert result.points < 50, "within half a second of run time"


async def test_a_stuck_relay_is_an_alarm_until_it_lets_go(tmp_path: Path) -> None:
    driver = simulated(Log(), 1.0)
    async with attended(tmp_path, driver, settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        await bench.start(method(100.0))
        driver.fault("relay-stuck")
        reply = await bench.order("abort")
        assert "NOT confirmed off" in reply.sentence
        assert (bench.state.cell, bench.alarm.kind) == (Cell.UNKNOWN, "cell-unknown")
        assert not (await bench.order("clear")).accepted
        driver.fault("relay-sound")
        await bench.until(lambda each: each.state == "Aborted" and each.cell == "off" and each.run is None)
        assert (await bench.order("clear")).accepted
        await bench.becomes("Idle")


async def test_a_spike_of_one_point_within_the_hard_limit_trips_nothing(tmp_path: Path) -> None:
    log = Log()
    limits = {
        "potential": {"low": 0.0, "high": 0.2, "hard_low": -2.0, "hard_high": 2.0},
        "current": {"low": -1e-2, "high": 1e-2},
        "charge": {"low": -1.0, "high": 1.0},
        "cell_voltage": {"low": -9.0, "high": 9.0},
        "temperature": {"high": 350.0},
    }
    driver = simulated(log, 20.0, "potential-spike=1@1")
    async with attended(tmp_path, driver, settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        run = await bench.start(method(4.0, limits=limits))
        await bench.until(lambda each: each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert result.state == "Complete"
        assert max(np.max(batch.columns["potential"]) for batch in log.batches) > 0.9


async def test_hold_and_go_on(tmp_path: Path) -> None:
    driver = simulated(Log(), 5.0)
    async with attended(tmp_path, driver, settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        run = await bench.start(method(8.0))
        await bench.order("hold")
        held = await bench.becomes("Held")
        assert held.cell is Cell.ON
        await bench.order("unhold", token=held.token)
        await bench.becomes("Execute")
        await bench.until(lambda each: each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert (result.state, result.flagged) == ("Complete", True)
