"""Trimming, gaps and chains against a simple model, in a real database."""

import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.daemon.store import schema
from luggin.daemon.store.archive import Archive
from luggin.daemon.store.errors import NoSuchRun, StoreConflict
from luggin.daemon.store.integrity import verify
from luggin.daemon.store.ledger import MOST_IN_ROW, Ledger, Note
from luggin.protocol.points import Batch, batch
from support.stored_runs import header, result, sweep


@contextmanager
def ledger() -> Iterator[tuple[Ledger, Archive, sqlite3.Connection]]:
    with tempfile.TemporaryDirectory() as folder, closing(schema.connect(Path(folder, "store.sqlite"))) as connection:
        # Nothing crashes here, so nothing need be synced.
        connection.execute("PRAGMA synchronous=OFF")
        yield Ledger(connection, lambda: 0.0), Archive(connection), connection


def marked(first: int, count: int, mark: int) -> Batch:
    return batch("run-1", "boot-1", first, {"time": np.full(count, mark), "cycle": np.full(count, mark)})


pieces = st.tuples(st.integers(0, 80), st.integers(1, 25))
commits = st.lists(st.lists(pieces, min_size=1, max_size=3), max_size=8)


@given(commits, st.booleans())
@settings(max_examples=30, deadline=None)
def test_overlaps_are_trimmed_and_gaps_are_kept(plan: list[list[tuple[int, int]]], forgetful: bool) -> None:
    model: dict[int, set[int]] = {}
    with ledger() as (book, archive, _):
        book.begin(header("run-1"))
        for mark, cuts in enumerate(plan):
            after = book.store("run-1", [marked(first, count, mark) for first, count in cuts])
            for index in {index for first, count in cuts for index in range(first, first + count)}:
                model.setdefault(index, {mark})
            if forgetful:
                book.forget()
            assert after == next(index for index in range(200) if index not in model)
            assert archive.stored_after("run-1") == after
        stored = archive.columns("run-1")
        assert dict(zip(stored["index"].tolist(), ({mark} for mark in stored.get("cycle", [])), strict=True)) == model
        missing = set(range(max(model, default=0))) - model.keys()
        assert {index for first, last in archive.gaps("run-1") for index in range(first, last)} == missing
        opened, closed = set[int](), set[int]()
        for event in archive.events("run-1"):
            span = set(range(event.data["first"], event.data["after"]))
            assert event.kind in ("gap", "gap-closed")
            if event.kind == "gap":
                opened |= span
            else:
                closed |= span
        assert opened - closed == missing
        assert closed <= opened
        assert verify(archive, "run-1") == []


@given(st.lists(pieces, min_size=1, max_size=8), st.integers(0, 90), st.integers(1, 40), st.integers(1, 50))
@settings(max_examples=30, deadline=None)
def test_any_range_can_be_asked_for(cuts: list[tuple[int, int]], first: int, count: int, limit: int) -> None:
    with ledger() as (book, archive, _):
        book.begin(header("run-1"))
        for start, length in cuts:
            book.store("run-1", [sweep("run-1", start, length)])
        wanted = sorted({index for start, length in cuts for index in range(start, start + length)})
        wanted = [index for index in wanted if first <= index < first + count][:limit]
        answer = archive.points("run-1", first, first + count, limit)
        assert [index for each in answer for index in range(each.first, each.after)] == wanted
        for each in answer:
            assert each.columns["time"].tolist() == sweep("run-1", each.first, each.count).columns["time"].tolist()


def test_points_that_came_out_of_order_within_a_commit_are_no_gap() -> None:
    with ledger() as (book, archive, _):
        book.begin(header("run-1"))
        assert book.store("run-1", [sweep("run-1", 50, 50), sweep("run-1", 0, 50)]) == 100
        assert archive.events("run-1") == []


def test_frames_that_continue_each_other_become_one_row_of_bounded_size() -> None:
    with ledger() as (book, archive, connection):
        book.begin(header("run-1"))
        book.store("run-1", [sweep("run-1", first, 100) for first in range(0, 10_000, 100)])
        assert connection.execute("SELECT count FROM batches ORDER BY key").fetchall() == [
            (MOST_IN_ROW,),
            (10_000 - MOST_IN_ROW,),
        ]
        assert archive.points("run-1")[0].count == 10_000


def test_an_index_that_comes_again_from_another_boot_is_kept_once_and_told() -> None:
    with ledger() as (book, archive, _):
        book.begin(header("run-1"))
        book.store("run-1", [sweep("run-1", 0, 100)])
        book.store("run-1", [sweep("run-1", 50, 50)])
        assert archive.events("run-1") == []
        book.store("run-1", [sweep("run-1", 90, 20, boot="boot-2")])
        (event,) = archive.events("run-1")
        assert (event.kind, event.data) == ("repeated-index", {"first": 90, "after": 100})
        assert archive.boots("run-1") == [("boot-1", 0, 100), ("boot-2", 100, 110)]
        assert archive.last_boot("bench-1") == "boot-2"


def test_points_after_the_end_are_stored_and_told() -> None:
    with ledger() as (book, archive, _):
        book.begin(header("run-1"))
        book.store("run-1", [sweep("run-1", 0, 10)])
        book.finish(result("run-1", 10, [(10, 20)]), archive.digest("run-1"))
        assert archive.gaps("run-1") == [(10, 20)]
        assert book.store("run-1", [sweep("run-1", 5, 10)]) == 15
        assert [event.kind for event in archive.events("run-1")] == ["late-points"]
        assert archive.gaps("run-1") == [(15, 20)]
        assert verify(archive, "run-1") == []


def test_a_run_is_begun_and_finished_once() -> None:
    with ledger() as (book, archive, _):
        book.begin(header("run-1"))
        book.begin(header("run-1"))
        with pytest.raises(StoreConflict, match="a run run-1 is stored already; give the new one another name"):
            book.begin(header("run-1", instrument="bench-2"))
        book.finish(result("run-1", 0), archive.digest("run-1"))
        book.finish(result("run-1", 0), archive.digest("run-1"))
        with pytest.raises(StoreConflict, match="run run-1 has a result already"):
            book.finish(result("run-1", 1), archive.digest("run-1"))
        assert [(run.run, run.state) for run in archive.runs()] == [("run-1", "Complete")]


def test_an_unknown_run_is_named() -> None:
    with ledger() as (book, archive, _):
        with pytest.raises(NoSuchRun, match="no run run-9 is stored"):
            book.store("run-9", [sweep("run-9", 0, 1)])
        with pytest.raises(NoSuchRun, match="no run run-9 is stored"):
            archive.events("run-9")


def test_an_event_that_reached_the_disk_after_all_is_not_doubled() -> None:
    with ledger() as (book, archive, _):
        book.begin(header("run-1"))
        note = Note("run-1", None, "remark", "a remark", {})
        assert book.append(note) == 0
        book.forget()
        assert book.append(note) == 0
        assert book.append(Note("run-1", None, "remark", "a remark", {})) == 1
        assert len(archive.events("run-1")) == 2


def test_logs_are_apart() -> None:
    with ledger() as (book, archive, _):
        for instrument in ("bench-1", None, "bench-1"):
            book.append(Note(None, instrument, "remark", f"about {instrument}", {}))
        assert [entry.number for entry in archive.log("bench-1")] == [0, 1]
        assert [entry.sentence for entry in archive.log(None)] == ["about None"]
        assert archive.log("bench-2") == []
