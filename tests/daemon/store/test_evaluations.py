"""Evaluations in the store: kept, found again, chained, published, and what is changed behind the program's back."""

import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from luggin.daemon.store import (
    NoSuchEvaluation,
    NoSuchRun,
    Store,
    StoreConflict,
    StoreError,
    open_store,
    verify,
    verify_log,
)
from luggin.daemon.store.schema import MIGRATIONS
from support.evaluated import evaluation, unpack_old_store
from support.runs import store_run

FAST = 0.01


async def two_runs(path: Path) -> None:
    async with Store.open(path, interval=FAST, slow_interval=FAST) as store:
        await store_run(store, "run-1", 300)
        await store_run(store, "run-2", 300)
        await store.add_evaluation(evaluation("first"))
        await store.add_evaluation(evaluation("second", expires=1_790_086_400.0))
        await store.add_evaluation(
            evaluation("both", ("run-1", "run-2"), kind="comparison", subject="sample/outlet, invented")
        )
        await store.add_evaluation(evaluation("of-instrument", (), kind="qualification"))
        await store.add_evaluation(evaluation("of-node", (), kind="survey", subject="node"))


async def test_what_is_stored_is_found_again_newest_first(tmp_path: Path) -> None:
    await two_runs(tmp_path / "store.sqlite")
    with open_store(tmp_path / "store.sqlite") as archive:
        names = [each.name for each in archive.evaluations()]
        assert names == ["of-node", "of-instrument", "both", "second", "first"]
        assert [each.name for each in archive.evaluations(kind="peaks")] == ["second", "first"]
        assert [each.name for each in archive.evaluations(kind="peaks", before="second")] == ["first"]
        assert [each.name for each in archive.evaluations(subject="run/run-1", limit=1)] == ["second"]
        assert [each.name for each in archive.evaluations(run="run-2")] == ["both"]
        assert archive.evaluations(run="run-2")[0].runs == ("run-1", "run-2")
        assert archive.evaluations(subject="run/run-9") == []
        assert archive.evaluation("second") == evaluation("second", expires=1_790_086_400.0)
        assert [position for position, _ in archive.evaluations_of("run-1")] == [0, 1, 2]
        newest = archive.newest_evaluation("peaks", run="run-1")
        assert newest is not None
        assert newest.name == "second"
        assert archive.newest_evaluation("calibration") is None
        with pytest.raises(NoSuchEvaluation, match="no evaluation ninth is stored"):
            archive.evaluation("ninth")
        with pytest.raises(NoSuchEvaluation):
            archive.evaluations(before="ninth")


async def test_events_tell_of_evaluations_by_their_hash(tmp_path: Path) -> None:
    await two_runs(tmp_path / "store.sqlite")
    with open_store(tmp_path / "store.sqlite") as archive:
        told = [event for event in archive.events("run-1") if event.kind == "evaluated"]
        assert [event.data["name"] for event in told] == ["first", "second", "both"]
        text = archive.evaluation_text("first")
        assert told[0].data["hash"] == hashlib.sha256(text.encode()).hexdigest()
        assert json.loads(text)["body"]["potential"] == 0.1 + 0.2
        assert [entry.kind for entry in archive.log("bench-1")] == ["evaluated"]
        assert [entry.data["name"] for entry in archive.log(None)] == ["of-node"]
        assert verify(archive, "run-1") == verify(archive, "run-2") == []
        assert verify_log(archive, "bench-1") == verify_log(archive, None) == []


CHANGES = {
    "UPDATE evaluations SET body = replace(body, '1.25e-06', '1.35e-06') WHERE name = 'first'": (
        "the evaluation first or its hash was altered"
    ),
    "UPDATE evaluations SET hash = zeroblob(32) WHERE name = 'both'": "the evaluation both or its hash was altered",
    "UPDATE evaluations SET expires = 9e9 WHERE name = 'second'": (
        "what the list of evaluations tells of second was altered"
    ),
    "DELETE FROM evaluations WHERE name = 'first'": "the evaluation first is missing",
    "DELETE FROM evaluation_runs WHERE position = 1": "the list of the run's evaluations is wrong: second",
    "UPDATE evaluation_runs SET evaluation = 4 WHERE position = 1": (
        "the list of the run's evaluations is wrong: of-instrument, second"
    ),
    "UPDATE events SET body = replace(body, 'peaks', 'steps') WHERE scope = 'run/run-1'": "event 1 or its hash",
}


@pytest.mark.parametrize(("change", "sentence"), CHANGES.items())
async def test_a_change_is_found(tmp_path: Path, change: str, sentence: str) -> None:
    path = tmp_path / "store.sqlite"
    await two_runs(path)
    with closing(sqlite3.connect(path)) as database, database:
        assert database.execute(change).rowcount > 0
    with open_store(path) as archive:
        found = verify(archive, "run-1")
    assert any(each.startswith(sentence) for each in found), found


async def test_an_altered_evaluation_without_runs_is_found(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    await two_runs(path)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE evaluations SET body = replace(body, 'flat', 'fine') WHERE name = 'of-instrument'")
        database.execute("UPDATE events SET body = replace(body, 'survey', 'purvey') WHERE scope = 'node'")
    with open_store(path) as archive:
        assert verify_log(archive, "bench-1") == ["the evaluation of-instrument or its hash was altered"]
        assert verify_log(archive, None)[0] == "event 0 or its hash was altered"


async def test_the_same_again_changes_nothing_and_another_is_refused(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store_run(store, "run-1", 10)
        await store.add_evaluation(evaluation())
        await store.add_evaluation(evaluation())
        assert [event.kind for event in await store.events("run-1")].count("evaluated") == 1
        with pytest.raises(StoreConflict, match="an evaluation first is stored already"):
            await store.add_evaluation(evaluation(asked_by="somebody else"))
        with pytest.raises(NoSuchRun, match="no run run-9 is stored"):
            await store.add_evaluation(evaluation("second", ("run-9",)))
        assert len(await store.evaluations()) == 1
        assert await store.verify("run-1") == []


async def test_a_run_that_ended_waits_until_it_is_evaluated(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    async with Store.open(path, interval=FAST) as store:
        await store_run(store, "run-1", 10)
        await store_run(store, "run-2", 10, finish=False)
        await store_run(store, "run-3", 10)
        assert await store.unevaluated() == ["run-1", "run-3"]
        await store.evaluated("run-1")
    async with Store.open(path, interval=FAST) as store:
        await store.evaluated("run-3", {"peaks": "no luck"})
        assert await store.unevaluated() == []
        assert (await store.events("run-3"))[-1].sentence == "peaks: no luck"
        assert await store.verify("run-3") == []


async def test_what_is_unpublished_of_a_drained_run(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST, slow_interval=FAST) as store:
        await store_run(store, "run-1", 10)
        store.advance("run-1", "header", 0, 1)
        store.advance("run-1", "points", 0, 10)
        store.advance("run-1", "events", 0, 1)
        store.advance("run-1", "result", 0, 1)
        assert await store.unpublished() == []
        await store.add_evaluation(evaluation())
        (waiting,) = await store.unpublished()
        assert (waiting.events, waiting.evaluations, waiting.points) == (1, 0, None)
        store.advance("run-1", "events", 1, 2)
        store.advance("run-1", "evaluations", 0, 1)
        assert await store.unpublished() == []


async def test_a_file_of_version_1_is_brought_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    unpack_old_store(path)
    async with Store.open(path, interval=FAST) as store:
        assert await store.unevaluated() == []  # what ended long ago is evaluated when somebody asks
        await store.add_evaluation(evaluation())
        await store.add_evaluation(evaluation("second", ("run-2",)))
        assert [each.name for each in await store.evaluations()] == ["second", "first"]
        assert await store.verify("run-1") == await store.verify("run-2") == []
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
        assert "never changed" in database.execute("SELECT text FROM about").fetchall()[1][0]


async def test_a_file_of_version_1_is_read_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    unpack_old_store(path)
    before = path.read_bytes()
    with open_store(path) as archive:
        assert (archive.evaluations(), archive.evaluations_of("run-1"), archive.unevaluated()) == ([], [], [])
        assert archive.newest_evaluation("peaks", run="run-1") is None
        assert verify(archive, "run-1") == []
        with pytest.raises(StoreError):
            archive.evaluation("first")
    assert path.read_bytes() == before
