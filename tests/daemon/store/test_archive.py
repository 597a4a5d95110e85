import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.store import Store, StoreError, StoreFault, StoreVersion, open_store, schema
from luggin.protocol.points import batch
from support.stored_runs import SWEEP, header, sweep


async def stored(path: Path) -> None:
    async with Store.open(path, interval=0.01) as store:
        await store.begin_run(header("run-1"))
        store.put(sweep("run-1", 0, 100))
        await store.put(sweep("run-1", 120, 80))


async def test_columns_of_a_whole_run(tmp_path: Path) -> None:
    await stored(tmp_path / "store.sqlite")
    with open_store(tmp_path / "store.sqlite") as archive:
        columns = archive.columns("run-1")
    assert list(columns) == ["index", *SWEEP]
    assert columns["index"].tolist() == [*range(100), *range(120, 200)]
    whole = sweep("run-1", 0, 200).columns
    for name in SWEEP:
        assert columns[name].dtype == whole[name].dtype
        assert np.array_equal(columns[name], whole[name][columns["index"]])


async def test_a_column_that_some_points_lack_is_nan_there(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01) as store:
        await store.begin_run(header("run-1"))
        await store.put(batch("run-1", "boot-1", 0, {"time": [0, 1], "cycle": [2**32 - 1, 1]}))
        await store.put(batch("run-1", "boot-1", 2, {"time": [2, 3], "temperature": [298.15, 298.25]}))
        await store.put(batch("run-1", "boot-1", 4, {"time": [4], "cycle": [7]}))
    with open_store(tmp_path / "store.sqlite") as archive:
        columns = archive.columns("run-1")
    assert list(columns) == ["index", "time", "cycle", "temperature"]
    assert np.array_equal(columns["cycle"], [2**32 - 1, 1, np.nan, np.nan, 7], equal_nan=True)
    assert np.array_equal(
        columns["temperature"], np.array([np.nan, np.nan, 298.15, 298.25, np.nan], "<f4"), equal_nan=True
    )


async def test_a_run_without_points_has_an_empty_index(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite") as store:
        await store.begin_run(header("run-1"))
        assert await store.stored_after("run-1") == 0
        assert await store.points("run-1") == []
    with open_store(tmp_path / "store.sqlite") as archive:
        assert {name: len(values) for name, values in archive.columns("run-1").items()} == {"index": 0}


def test_what_is_no_store_is_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"there is no store at .*absent\.sqlite; name the file"):
        open_store(tmp_path / "absent.sqlite")
    (tmp_path / "text").write_text("not a database" * 100)
    with pytest.raises(StoreVersion, match="is no database; choose another file"):
        open_store(tmp_path / "text")
    (tmp_path / "empty").touch()
    with pytest.raises(StoreVersion, match="holds no runs yet"):
        open_store(tmp_path / "empty")


async def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE things (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(StoreVersion, match="is another program's database"):
        async with Store.open(path):
            pass
    assert path.read_bytes() == before


async def test_a_newer_store_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    await stored(path)
    with closing(sqlite3.connect(path)) as newer:
        newer.execute("PRAGMA user_version=99")
    with pytest.raises(StoreVersion, match="has schema 99, this program knows up to 3; use a newer version"):
        async with Store.open(path):
            pass
    with pytest.raises(StoreVersion, match="has schema 99"):
        open_store(path)


async def test_an_older_store_is_brought_up_step_by_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "store.sqlite"
    await stored(path)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, "CREATE TABLE more (text TEXT) STRICT;"))
    async with Store.open(path) as store:
        assert await store.stored_after("run-1") == 100
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
        assert database.execute("SELECT count(*) FROM more").fetchone() == (0,)


async def test_the_file_explains_itself(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    await stored(path)
    with closing(sqlite3.connect(path)) as database:
        (about,) = database.execute("SELECT text FROM about").fetchone()
        (table,) = database.execute("SELECT sql FROM sqlite_schema WHERE name = 'batches'").fetchone()
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
    assert "little-endian" in about
    assert "-- number of the run * 1099511627776" in table


async def test_damage_is_told_and_not_read_over(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    await stored(path)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE batches SET data = zeroblob(length(data))")
    with open_store(path) as archive, pytest.raises(StoreFault, match="a stored batch is damaged"):
        archive.points("run-1")
    blank = bytearray(path.read_bytes())
    blank[4096:] = bytes(len(blank) - 4096)
    path.write_bytes(blank)
    with pytest.raises(StoreFault, match="can't be read"), open_store(path) as archive:
        archive.runs()


async def test_the_newest_entry_of_a_kind_is_found_without_reading_the_log(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    async with Store.open(path, interval=0.01, slow_interval=0.01) as store:
        assert await store.newest_entry("left", "aborted", "cleared") is None
        for number, kind in enumerate(("aborted", "cleared", "aborted", "command", "command")):
            await store.event(None, "left", kind, f"entry {number}")
        await store.event(None, "right", "cleared", "another instrument's")
        newest = await store.newest_entry("left", "aborted", "cleared")
        assert newest is not None
        assert (newest.number, newest.kind) == (2, "aborted")
    with closing(sqlite3.connect(path)) as database:
        plan = database.execute(
            "EXPLAIN QUERY PLAN SELECT max(number) FROM events INDEXED BY kinds_in_logs WHERE scope = 'instrument/left'"
            " AND json_extract(body, '$.kind') = 'aborted' AND substr(scope, 1, 4) <> 'run/'"
        ).fetchall()
    assert "scope=? AND <expr>=?" in plan[0][3]


async def test_a_moment_stands_still(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    async with Store.open(path, interval=0.01, slow_interval=0.01) as store:
        await store.begin_run(header("run-1"))
        with open_store(path) as archive:
            with archive.moment():
                before = archive.events("run-1")
                await store.event("run-1", None, "remark", "written meanwhile", urgent=True)
                assert archive.events("run-1") == before
            assert len(archive.events("run-1")) == len(before) + 1
