"""What is spared when a daemon has ended, and what is switched off."""

import dataclasses
import errno
from pathlib import Path

import pytest

from luggin.daemon.config import Config, NodeSettings, StoreSettings
from luggin.daemon.make_safe import Spare, Verdict, after_service, make_safe
from luggin.daemon.store import Store, StoreFault, StoreInUse
from luggin.protocol.instrument import Activity, Cell, Receipt
from support.attended import SETTINGS
from support.left_behind import EXECUTE, RUN, executing, left_behind
from support.scripted import Instrument

Told = tuple[str, dict[str, object]]
ABORTING: Told = ("state", {"from": "Execute", "to": "Aborting"})
LEFT: Told = ("left", {"silence": 10.0})
ADOPTED: Told = ("adopted", {})


async def verdict(folder: Path, driver: Instrument, spare: Spare = Spare.ADOPTABLE) -> Verdict:
    settings = Config(
        NodeSettings(name="lab"), StoreSettings(path=folder / "store.sqlite"), None, {"left": (driver, SETTINGS)}
    )
    (found,) = await make_safe(settings, spare, "planned")
    return found


@pytest.mark.parametrize(
    ("result", "spare"),
    [
        ("success", Spare.LEFT),
        ("signal", Spare.ADOPTABLE),
        ("watchdog", Spare.ADOPTABLE),
        ("exit-code", Spare.ADOPTABLE),
        ("timeout", Spare.NOTHING),
        ("resources", Spare.NOTHING),
        ("", Spare.NOTHING),
    ],
)
def test_how_the_service_ended_decides(result: str, spare: Spare) -> None:
    assert after_service({"SERVICE_RESULT": result}) is spare


async def test_what_the_next_daemon_would_adopt_is_spared(tmp_path: Path) -> None:
    await left_behind(tmp_path, EXECUTE)
    driver = executing(25)
    found = await verdict(tmp_path, driver)
    assert (found.spared, found.cell, found.safe) == (RUN, Cell.ON, True)
    assert "cell_off" not in driver.calls
    async with Store.open(tmp_path / "store.sqlite") as store:
        (entry,) = await store.log("left")
        assert (entry.kind, entry.data["spared"], entry.data["why"]) == ("made-safe", RUN, "planned")


@pytest.mark.parametrize(
    "change",
    [{"silence": 1e4}, {"boot": "boot-9"}, {"run": "run-9"}, {"activity": Activity.HELD, "silence": 60.0}],
)
async def test_what_it_would_not_adopt_is_switched_off(tmp_path: Path, change: dict[str, object]) -> None:
    """Overdue, restarted, another's: the same rules as at the start of a daemon."""
    await left_behind(tmp_path, EXECUTE)
    driver = executing(25)
    driver.state = dataclasses.replace(driver.state, **change)  # type: ignore[arg-type]
    found = await verdict(tmp_path, driver)
    assert (found.cell, found.spared) == (Cell.OFF, None)
    assert "cell_off" in driver.calls


async def test_an_abort_that_was_under_way_is_brought_to_its_end(tmp_path: Path) -> None:
    await left_behind(tmp_path, EXECUTE, ABORTING)
    assert (await verdict(tmp_path, executing(25))).cell is Cell.OFF


@pytest.mark.parametrize(
    ("events", "spared"), [((), None), ((LEFT,), RUN), ((LEFT, ADOPTED), None), ((LEFT, ADOPTED, LEFT), RUN)]
)
async def test_after_a_clean_end_only_what_was_left_on_purpose_is_spared(
    tmp_path: Path, events: tuple[Told, ...], spared: str | None
) -> None:
    await left_behind(tmp_path, EXECUTE, *events)
    assert (await verdict(tmp_path, executing(25), Spare.LEFT)).spared == spared


async def test_a_person_spares_nothing_and_a_silent_relay_is_no_success(tmp_path: Path) -> None:
    await left_behind(tmp_path, EXECUTE, LEFT)
    assert (await verdict(tmp_path, executing(25), Spare.NOTHING)).cell is Cell.OFF
    mute = executing(25)
    mute.receipts = [Receipt(Cell.UNKNOWN, "no read-back")] * 3
    found = await verdict(tmp_path, mute, Spare.NOTHING)
    assert (found.safe, "no read-back" in found.sentence) == (False, True)


async def test_what_is_off_is_left_alone_and_what_is_away_is_said(tmp_path: Path) -> None:
    idle = Instrument()
    assert (await verdict(tmp_path, idle)).sentence == "The cell was off."
    assert "cell_off" not in idle.calls
    idle.reachable = False
    found = await verdict(tmp_path, idle)
    assert (found.safe, found.cell, "Not reached" in found.sentence) == (False, Cell.UNKNOWN, True)


async def test_a_store_that_is_no_store_keeps_nothing_energised(tmp_path: Path) -> None:
    (tmp_path / "store.sqlite").write_text("something else")
    assert (await verdict(tmp_path, executing(25))).cell is Cell.OFF


async def test_a_daemon_that_runs_does_it_itself(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite"):
        with pytest.raises(StoreInUse):
            await verdict(tmp_path, executing(25))


async def test_a_store_that_can_not_be_read_keeps_nothing_energised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def unreadable(*_: object) -> list[str]:
        raise StoreFault("the store can't be read")

    await left_behind(tmp_path, EXECUTE)
    monkeypatch.setattr(Store, "unfinished", unreadable)
    found = await verdict(tmp_path, executing(25))
    assert (found.cell, found.spared) == (Cell.OFF, None)


async def test_a_store_in_a_folder_that_is_none_keeps_nothing_energised(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert (await verdict(tmp_path / "file", executing(25))).cell is Cell.OFF


async def test_a_full_disk_keeps_nothing_energised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def full(_: Store) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    await left_behind(tmp_path, EXECUTE)
    monkeypatch.setattr(Store, "_start", full)
    assert (await verdict(tmp_path, executing(25))).cell is Cell.OFF


async def test_a_mistake_in_one_driver_is_a_verdict(tmp_path: Path) -> None:
    driver = executing(25)
    driver.failing["status"] = RuntimeError("a mistake")
    found = await verdict(tmp_path, driver)
    assert (found.safe, found.cell, found.sentence) == (False, Cell.UNKNOWN, "This program failed: RuntimeError.")
