"""A daemon that starts again: runs are adopted, aborts stand, and the instrument is asked before anything else."""

from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.store import Store
from luggin.protocol.instrument import Outcome
from support.attended import METHOD, attended
from support.left_behind import EXECUTE, RUN, executing, left_behind
from support.method_header import header


async def test_a_known_run_is_adopted_and_goes_on(tmp_path: Path) -> None:
    await left_behind(tmp_path, EXECUTE)
    driver = executing(25)
    async with attended(tmp_path, driver) as bench:
        state = await bench.until(lambda each: each.link == "up")
        assert (state.state, state.run) == ("Execute", RUN)
        driver.end(Outcome.COMPLETED)
        await bench.becomes("Idle")
        result = await bench.store.result(RUN)
        assert result is not None
        assert (result.state, result.points, result.gaps) == ("Complete", 25, [])
    assert driver.calls.index("replay") < driver.calls.index("cell_off"), "it was not opened before it had ended"


@pytest.mark.parametrize(
    "changes",
    [
        {"run": "20200101-000000-left-0000"},
        {"boot": "boot-2"},
        {"silence": 100.0},
    ],
)
async def test_anything_else_gets_cell_off(tmp_path: Path, changes: dict[str, Any]) -> None:
    await left_behind(tmp_path, EXECUTE)
    driver = executing(25, **changes)
    async with attended(tmp_path, driver) as bench:
        await bench.becomes("Aborted")
        assert "cell_off" in driver.calls
        assert (await bench.store.result(RUN)) is None or "points" in str(await bench.store.result(RUN))


async def test_an_energised_instrument_of_an_empty_store_gets_cell_off(tmp_path: Path) -> None:
    driver = executing(25)
    async with attended(tmp_path, driver) as bench:
        state = await bench.becomes("Aborted")
        assert "energised though nothing was started" in state.reason
        assert driver.calls[:2] == ["status", "cell_off"]


@pytest.mark.parametrize("state", ["Aborting", "Aborted"])
async def test_a_run_that_was_being_aborted_is_not_adopted(tmp_path: Path, state: str) -> None:
    await left_behind(tmp_path, EXECUTE, ("state", {"from": "Execute", "to": state}))
    driver = executing(25)
    async with attended(tmp_path, driver) as bench:
        await bench.becomes("Aborted")
        await bench.until(lambda each: each.run is None)
        result = await bench.store.result(RUN)
        assert result is not None
        assert (result.state, result.points) == ("Aborted", 25)


async def test_an_abort_stands_until_somebody_clears(tmp_path: Path) -> None:
    async with attended(tmp_path) as bench:
        await bench.ready()
        await bench.order("abort")
        await bench.becomes("Aborted")
    async with attended(tmp_path) as bench:
        state = await bench.becomes("Aborted")
        assert state.reason == "anna asked to abort."
        await bench.order("clear")
        await bench.becomes("Idle")
    async with attended(tmp_path) as bench:
        assert (await bench.ready()).state == "Idle"


async def test_a_run_whose_end_was_seen_is_finished(tmp_path: Path) -> None:
    end = ("ended", {"outcome": "completed", "end": 10, "detail": ""})
    await left_behind(tmp_path, EXECUTE, end, ("state", {"from": "Execute", "to": "Completing"}))
    async with attended(tmp_path) as bench:
        await bench.becomes("Idle")
        result = await bench.store.result(RUN)
        assert result is not None
        assert (result.state, result.outcome, result.points) == ("Complete", "completed", 10)


async def test_limits_go_on_from_the_points_that_are_stored(tmp_path: Path) -> None:
    # 1 mA for 1 s is stored: 1 mC (less the first period); another 0.5 mC exceeds the limit, which alone they don't.
    document = {**METHOD, "limits": {**METHOD["limits"], "charge": {"high": 1.2e-3, "persistence": 0.0}}}
    await left_behind(tmp_path, EXECUTE, document=document)
    driver = executing(10)
    async with attended(tmp_path, driver) as bench:
        await bench.until(lambda each: each.link == "up" and each.state == "Execute")
        driver.measure(5, current=1e-3)
        state = await bench.becomes("Aborted")
        assert "charge" in state.reason


async def test_an_unreadable_store_makes_everything_safe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def fails(store: Store) -> list[str]:
        raise OSError("invented")

    monkeypatch.setattr(Store, "unfinished", fails)
    driver = executing(25)
    async with attended(tmp_path, driver) as bench:
        state = await bench.becomes("Aborted")
        assert "could not say what was before" in state.reason
        assert driver.calls[:2] == ["status", "cell_off"]


async def test_an_older_unfinished_run_is_closed(tmp_path: Path) -> None:
    await left_behind(tmp_path, EXECUTE)
    newer = "20261125-120000-left-0001"
    async with Store.open(tmp_path / "store.sqlite", interval=0.01) as store:
        await store.begin_run(header(newer))
        await store.begin_run(header("20261125-120000-right-0001", instrument="right"))
    async with attended(tmp_path) as bench:
        await bench.becomes("Aborted")
        older = await bench.store.result(RUN)
        assert older is not None
        assert older.outcome == "unknown"
        assert "20261125-120000-right-0001" in await bench.store.unfinished()
