import sqlite3
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.store import StoreFault, StoreFull, schema
from luggin.daemon.store.disk import Disk
from luggin.daemon.store.ledger import Ledger, Note
from luggin.protocol.points import Batch
from support.stored_runs import header, sweep


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    disk = Disk(tmp_path / "store.sqlite", None, 100_000, lambda: 0.0)
    assert disk.open()
    yield disk
    disk.close()


def put(ledger: Ledger) -> int:
    return ledger.store("run-1", [sweep("run-1", 0, 10)])


def test_points_wait_until_the_journal_is_certain(disk: Disk, tmp_path: Path) -> None:
    """A reader that holds on to an old state keeps the journal from being copied, one of the newest state doesn't."""
    disk.transaction(lambda ledger: ledger.begin(header("run-1")), trusting=False)
    with closing(schema.connect_reading(tmp_path / "store.sqlite")) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM runs").fetchall()
        disk.transaction(lambda ledger: ledger.begin(header("run-2")), trusting=False)
        with pytest.raises(StoreFault, match="is kept busy by a reader; end other programs that read it"):
            disk.transaction(put, trusting=True)
        reader.execute("COMMIT")
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM runs").fetchall()
        assert disk.transaction(put, trusting=True) == 10


def test_a_store_that_cannot_be_opened_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "folder.sqlite").mkdir()
    with pytest.raises(StoreFault, match=r"folder\.sqlite can't be opened \(.*\); check the disk"):
        Disk(tmp_path / "folder.sqlite", None, 100_000, lambda: 0.0).open()


def test_what_fails_changes_nothing(disk: Disk) -> None:
    def half(ledger: Ledger) -> None:
        ledger.begin(header("run-1"))
        put(ledger)
        raise KeyError

    with pytest.raises(KeyError):
        disk.transaction(half, trusting=False)
    disk.transaction(lambda ledger: ledger.begin(header("run-1")), trusting=False)
    assert disk.transaction(put, trusting=True) == 10


def test_a_bounded_store_can_close_its_runs_however_often_it_looks_for_room(tmp_path: Path) -> None:
    disk = Disk(tmp_path / "store.sqlite", 1_000_000, 200_000, lambda: 0.0)
    assert disk.open()
    disk.transaction(lambda ledger: ledger.begin(header("run-1")), trusting=False)
    noise = np.random.default_rng(4).normal(size=(40, 5000))

    def put_all(ledger: Ledger) -> None:
        for number, values in enumerate(noise):
            ledger.store("run-1", [Batch("run-1", "boot-1", 5000 * number, {"time": values})])

    with pytest.raises(sqlite3.OperationalError, match="full") as refusal:
        disk.transaction(put_all, trusting=True)
    assert isinstance(disk.explain(refusal.value), StoreFull)
    # What was refused is gone again, so there is room; then the store fills up to its bound.
    assert disk.make_room()
    for number, values in enumerate(noise):
        batch = Batch("run-1", "boot-1", 5000 * number, {"time": values})
        try:
            disk.transaction(partial(Ledger.store, run="run-1", batches=[batch]), trusting=True)
        except sqlite3.OperationalError as full:
            assert isinstance(disk.explain(full), StoreFull)
            break
    for _ in range(3):
        assert not disk.make_room()
    for number in range(20):
        note = Note("run-1", None, "remark", "x" * 5000, {})
        assert disk.transaction(partial(Ledger.append, note=note), trusting=False) == number
    disk.close()
