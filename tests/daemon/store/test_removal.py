"""Runs that are deleted, restored and purged."""

import sqlite3
from collections.abc import AsyncIterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.store import NoSuchRun, Store, StoreConflict, open_store, removal, verify, verify_log
from luggin.protocol.payloads import Evaluation
from support.runs import store_run
from support.stored_runs import header

PERSON, WHY = "anna", "a wrong electrode was connected"


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as opened:
        await store_run(opened, "run-1", 1200)
        await store_run(opened, "run-2", 700)
        yield opened


async def names(store: Store, **how: Any) -> list[str]:
    return [each.run for each in await store.runs(**how)]


async def test_a_deleted_run_is_left_out_and_comes_back_whole(store: Store) -> None:
    await store.delete_run("run-1", PERSON, WHY)
    assert await names(store) == ["run-2"]
    assert await names(store, deleted=True) == ["run-1"]
    assert [each.run for each in await store.unpublished()] == ["run-2"]
    deletion = await store.deletion("run-1")
    assert deletion is not None
    assert (deletion.asked_by, deletion.reason, deletion.purging) == (PERSON, WHY, False)
    assert await store.verify("run-1") == []
    await store.restore_run("run-1", "berta")
    assert await names(store) == ["run-2", "run-1"]
    assert await store.deletion("run-1") is None
    assert [each.run for each in await store.unpublished()] == ["run-1", "run-2"]
    log = await store.log(None)
    assert [(each.kind, each.data["run"], each.data["asked_by"]) for each in log] == [
        ("deleted", "run-1", PERSON),
        ("restored", "run-1", "berta"),
    ]


async def test_what_is_refused(store: Store) -> None:
    await store.begin_run(header("run-3"))
    with pytest.raises(StoreConflict, match="has not ended"):
        await store.delete_run("run-3", PERSON, WHY)
    with pytest.raises(NoSuchRun):
        await store.delete_run("run-9", PERSON, WHY)
    with pytest.raises(StoreConflict, match="is not deleted"):
        await store.restore_run("run-1", PERSON)
    with pytest.raises(StoreConflict, match="the second word"):
        await store.purge_run("run-1", PERSON)
    await store.delete_run("run-1", PERSON, WHY)
    with pytest.raises(StoreConflict, match="deleted already"):
        await store.delete_run("run-1", PERSON, WHY)


def evaluation(name: str, *runs: str) -> Evaluation:
    return Evaluation(
        name=name,
        kind="peaks",
        subject=f"run/{runs[0]}",
        runs=runs,
        settings={},
        body={},
        software="luggin",
        asked_by=PERSON,
        verified=True,
        utc=1.0,
    )


async def test_a_purge_takes_out_all_of_it_and_keeps_its_hashes(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(removal, "ROWS_AT_ONCE", 1)
    await store.add_evaluation(evaluation("of-one", "run-1"))
    await store.add_evaluation(evaluation("of-both", "run-1", "run-2"))
    ended = await store.result("run-1")
    assert ended is not None
    await store.delete_run("run-1", PERSON, WHY)
    await store.purge_run("run-1", PERSON)
    with pytest.raises(NoSuchRun):
        await store.header("run-1")
    purged = (await store.log(None))[-1]
    assert (purged.kind, purged.data["result"]) == ("purged", ended.hash)
    assert [each.name for each in await store.evaluations()] == ["of-both"]
    assert await store.verify("run-2") == []
    with closing(sqlite3.connect(tmp_path / "store.sqlite")) as database:
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
        for table in ("events", "batches", "results", "publication", "anchors", "deleted"):
            ((count,),) = database.execute(f"SELECT count(*) FROM {table}").fetchall()
            expected = {"events": 4 + 1 + 1, "batches": 2, "results": 1, "publication": 1}.get(table, 0)
            assert count <= expected, table
    with open_store(tmp_path / "store.sqlite") as archive:
        assert verify_log(archive, None) == []


async def test_an_interrupted_purge_is_gone_on_with_and_never_restored(store: Store) -> None:
    await store.delete_run("run-1", PERSON, WHY)
    await store._submit(lambda ledger: ledger.begin_purge("run-1", PERSON), urgent=True)
    with pytest.raises(StoreConflict, match="can't be restored"):
        await store.restore_run("run-1", PERSON)
    await store.purge_run("run-1", PERSON)
    assert [each.kind for each in await store.log(None)] == ["deleted", "purged"]
    assert await names(store, deleted=True) == []


async def test_a_name_is_free_again_after_a_purge(store: Store, tmp_path: Path) -> None:
    await store.delete_run("run-2", PERSON, WHY)
    await store.purge_run("run-2", PERSON)
    await store_run(store, "run-4", 300)
    assert await store.verify("run-4") == []
    with open_store(tmp_path / "store.sqlite") as archive:
        assert verify(archive, "run-1") == []
        assert len(archive.columns("run-4")["index"]) == 300
