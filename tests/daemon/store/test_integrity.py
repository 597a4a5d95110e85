"""What somebody changes in the database behind the program's back is found."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from luggin.daemon.store import NoSuchRun, Store, open_store, verify
from support.stored_runs import header, result, sweep


async def sound(path: Path) -> None:
    async with Store.open(path, interval=0.01) as store:
        await store.begin_run(header("run-1"))
        store.put(sweep("run-1", 0, 300))
        await store.put(sweep("run-1", 400, 300))
        await store.put(sweep("run-1", 700, 300))
        for number in range(3):
            store.event("run-1", None, "remark", f"remark {number}")
        await store.finish_run(result("run-1", 900, [(300, 400)]))


CHANGES = {
    "UPDATE runs SET header = replace(header, 'glassy carbon', 'gold')": "the header or its hash was altered",
    "UPDATE events SET body = replace(body, 'remark 1', 'remark 7')": "event 2 or its hash was altered",
    "DELETE FROM events WHERE number = 1": "event 1 is missing",
    "DELETE FROM events WHERE number = 3": "of the events that the result covers, 1 are missing",
    "UPDATE results SET body = replace(body, 'Complete', 'Stopped')": "the result, its seal or its hash was altered",
    "UPDATE results SET seal = replace(seal, 'a', 'b')": "the result, its seal or its hash was altered",
    "DELETE FROM batches WHERE key & 1099511627775 = 700": "stored points were altered since the end of the run",
    "UPDATE batches SET data = zeroblob(9), packed = 0": "a stored batch is damaged",
    "DELETE FROM holes": "the list of missing points is wrong: [] instead of [(300, 400)]",
}


@pytest.mark.parametrize(("change", "sentence"), CHANGES.items())
async def test_a_change_is_found(tmp_path: Path, change: str, sentence: str) -> None:
    path = tmp_path / "store.sqlite"
    await sound(path)
    with open_store(path) as archive:
        assert verify(archive, "run-1") == []
    with closing(sqlite3.connect(path)) as database, database:
        assert database.execute(change).rowcount > 0
    with open_store(path) as archive:
        assert any(found.startswith(sentence) for found in verify(archive, "run-1"))


async def test_points_exchanged_with_a_right_checksum_are_found(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    await sound(path)
    with closing(sqlite3.connect(path)) as database, database:
        (first, last) = database.execute("SELECT min(key), max(key) FROM batches").fetchone()
        database.execute(
            "UPDATE batches SET (data, crc, packed) ="
            " (SELECT data, crc, packed FROM batches WHERE key = ?) WHERE key = ?",
            (last, first),
        )
    with open_store(path) as archive:
        (found,) = verify(archive, "run-1")
    assert found.startswith("stored points were altered since the end of the run, in time, cycle, applied_potential")


async def test_an_unknown_run_cannot_be_verified(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite") as store:
        with pytest.raises(NoSuchRun):
            await store.verify("run-9")
