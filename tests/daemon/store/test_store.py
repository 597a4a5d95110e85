"""The store as the daemon uses it: real files, one loop, one writer."""

import asyncio
import errno
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.store import (
    NoSuchRun,
    Store,
    StoreConflict,
    StoreFault,
    StoreFull,
    StoreInUse,
    StoreState,
    open_store,
)
from luggin.daemon.store.writer import MOST_PENDING, commit_delay
from luggin.protocol.points import Batch
from support.stored_runs import header, result, same, sweep

FAST = 0.01


async def test_points_are_durable_when_their_future_is_done(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        assert await store.put(sweep("run-1", 0, 250)) == 250
        with closing(sqlite3.connect(tmp_path / "store.sqlite")) as other:
            assert other.execute("SELECT count FROM batches").fetchall() == [(250,)]
        assert await store.put(sweep("run-1", 200, 100)) == 300
        (stored,) = await store.points("run-1")
        assert same(stored, sweep("run-1", 0, 300))


async def test_all_instruments_share_one_commit(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        for bench in range(5):
            await store.begin_run(header(f"run-{bench}", instrument=f"bench-{bench}"))
        serial = store.serial
        puts = [store.put(sweep(f"run-{bench}", first, 50)) for first in range(0, 250, 50) for bench in range(5)]
        assert await asyncio.gather(*puts) == [250] * 25
        assert store.serial == serial + 1


async def test_an_urgent_event_takes_everything_before_it_along_at_once(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=3600, slow_interval=3600) as store:
        await store.begin_run(header("run-1"))
        waiting = store.put(sweep("run-1", 0, 100))
        calm = store.event("run-1", None, "remark", "the purge has ended")
        assert await store.event("run-1", "bench-1", "limit", "the current left its window", urgent=True) == 1
        assert waiting.result() == 100
        assert calm.result() == 0
        assert [event.kind for event in await store.events("run-1")] == ["remark", "limit"]


@pytest.mark.parametrize(
    ("points", "delay"),
    [(0, 1.0), (1, 1.0), (2, 1.0), (3, 0.25), (1250, 0.25)],
)
def test_commits_come_slowly_below_ten_points_per_second(points: int, delay: float) -> None:
    assert commit_delay(points, 0.25, 1.0) == delay


async def test_leaving_commits_what_is_queued(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=3600, slow_interval=3600) as store:
        await store.begin_run(header("run-1"))
        store.put(sweep("run-1", 0, 100))
        store.advance("run-1", "header", 0, 1)
    async with Store.open(tmp_path / "store.sqlite") as store:
        assert await store.stored_after("run-1") == 100
        assert not (await store.unpublished())[0].header


async def test_a_refused_batch_does_not_harm_its_neighbours(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        stray, good = store.put(sweep("run-9", 0, 10)), store.put(sweep("run-1", 0, 10))
        with pytest.raises(NoSuchRun, match="no run run-9 is stored"):
            await stray
        assert await good == 10
        assert store.state is StoreState.OK
        with pytest.raises(ValueError, match="first = -1 is no index"):
            store.put(Batch("run-1", "boot-1", -1, {"time": np.zeros(1)}))
        with pytest.raises(ValueError, match="only real numbers"):
            store.put(Batch("run-1", "boot-1", 10, {"time": np.array(["x"])}))


async def test_a_future_that_was_given_up_does_not_stop_its_points(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        given_up = store.put(sweep("run-1", 0, 10))
        given_up.cancel()
        assert await store.put(sweep("run-1", 10, 10)) == 20


async def test_a_stalled_disk_turns_points_away_before_memory_is_full(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=3600, slow_interval=3600) as store:
        await store.begin_run(header("run-1"))
        flags = np.zeros(MOST_PENDING, "<u1")
        accepted = store.put(Batch("run-1", "boot-1", 0, {"phase": flags}))
        with pytest.raises(StoreFault, match="the disk can't keep up: 2000000 points wait for it"):
            await store.put(Batch("run-1", "boot-1", MOST_PENDING, {"phase": flags[:1]}))
        await store.event(None, None, "remark", "now", urgent=True)
        assert accepted.result() == MOST_PENDING


async def test_a_second_daemon_is_told_who_has_the_store(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    async with Store.open(path):
        with pytest.raises(StoreInUse, match=r"store\.sqlite is in use by another daemon \(process \d+\); stop it or"):
            async with Store.open(path):
                pass
    async with Store.open(path):
        pass


async def test_a_disk_too_full_for_the_name_of_the_owner_locks_the_store_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    path = tmp_path / "store.sqlite"
    with monkeypatch.context() as patched:
        patched.setattr("luggin.daemon.store.lock.os.pwrite", full)
        async with Store.open(path):
            with pytest.raises(StoreInUse, match="in use by another daemon"):
                async with Store.open(path):
                    pass


async def test_a_run_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite") as store:
        with pytest.raises(StoreFull, match=r"100000000000 points may take \d+ TB, but the store in .* has room for"):
            await store.begin_run(header("run-1", points=100_000_000_000))
        assert await store.runs() == []
        await store.begin_run(header("run-2"))


async def test_unfinished_runs_keep_their_share_of_the_room(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", largest=20_000_000, reserve=1_000_000, interval=FAST) as store:
        await store.check_space(150_000, ["time", "current"])
        await store.begin_run(header("run-1", points=150_000, columns=["time", "current"]))
        with pytest.raises(StoreFull, match="beside 9 MB that unfinished runs may need"):
            await store.check_space(200_000, ["time", "current"])
        await store.finish_run(result("run-1", 0))
        await store.check_space(200_000, ["time", "current"])


async def test_a_run_from_start_to_end(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST, slow_interval=FAST, utc=lambda: 5.0) as store:
        await store.begin_run(header("run-1"))
        await store.anchor("bench-1", "run-1", "boot-1", 100.0, 1_790_000_000.0, True, 50.0, 0.0)
        await store.anchor("bench-1", None, "boot-2", 200.0, 1_790_000_100.0, False, 1.0)
        assert await store.unfinished() == ["run-1"]
        assert await store.last_boot("bench-1") == "boot-2"
        assert await store.last_boot("bench-2") is None
        store.put(sweep("run-1", 0, 100))
        await store.put(sweep("run-1", 150, 50))
        assert await store.gaps("run-1") == [(100, 150)]
        await store.finish_run(result("run-1", 150, [(100, 150), (200, 210)]))
        assert await store.unfinished() == []
        assert await store.header("run-1") == header("run-1")
        found = await store.result("run-1")
        assert found is not None
        assert len(found.hash) == 64
        assert found == result("run-1", 150, [(100, 150), (200, 210)]).model_copy(
            update={"hash": found.hash, "seal": found.seal}
        )
        assert await store.gaps("run-1") == [(100, 150), (200, 210)]
        (anchor,) = await store.anchors("run-1")
        assert (anchor.boot, anchor.utc, anchor.synchronised, anchor.run_time) == ("boot-1", 1_790_000_000.0, True, 0.0)
        (gap,) = await store.events("run-1")
        assert (gap.number, gap.kind, gap.utc) == (0, "gap", 5.0)
        assert await store.verify("run-1") == []
        await store.finish_run(result("run-1", 150, [(100, 150), (200, 210)]))
        with pytest.raises(StoreConflict, match="has a result already"):
            await store.finish_run(result("run-1", 200))
        with pytest.raises(NoSuchRun):
            await store.finish_run(result("run-9", 200))


async def test_an_attestation_is_in_the_log_and_in_the_run(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=3600, slow_interval=3600) as store:
        await store.begin_run(header("run-1"))
        await store.attest("bench-1", "run-1", "A. Nalyst", "I pulled the cell's plug", "analyst", True)
        await store.attest("bench-1", None, "A. Nalyst", "it is still unplugged", "analyst", True)
        (in_run,) = await store.events("run-1")
        logged = await store.log("bench-1")
        assert in_run.kind == "attested"
        assert in_run.sentence == "A. Nalyst states that the cell of bench-1 is off: I pulled the cell's plug"
        assert [entry.data["statement"] for entry in logged] == ["I pulled the cell's plug", "it is still unplugged"]
        assert in_run.data["person"] == "A. Nalyst"


async def test_runs_are_listed_newest_first(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite") as store:
        for number in range(5):
            await store.begin_run(header(f"run-{number}"))
        assert [run.run for run in await store.runs(2)] == ["run-4", "run-3"]
        assert [run.run for run in await store.runs(2, "run-3")] == ["run-2", "run-1"]
        first = (await store.runs(1, "run-1"))[0]
        assert (first.method, first.technique) == ("paracetamol-sweep", "linear-sweep-voltammetry")
        assert (first.points, first.state) == (0, None)


async def test_others_read_while_the_daemon_writes(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        with open_store(tmp_path / "store.sqlite") as archive:
            for first in range(0, 500, 100):
                await store.put(sweep("run-1", first, 100))
                assert archive.stored_after("run-1") == first + 100
                assert same(archive.points("run-1", first)[0], sweep("run-1", first, 100))


async def test_the_journal_does_not_grow_with_a_reader_that_only_looks(tmp_path: Path) -> None:
    """A reader that kept a transaction open would let the journal grow without bound."""
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1", points=2_000_000, columns=["time", "charge"]))
        noise = np.random.default_rng(1).normal(size=20_000)
        with open_store(tmp_path / "store.sqlite") as archive:
            for first in range(0, 1_000_000, 20_000):
                put = store.put(Batch("run-1", "boot-1", first, {"time": noise, "charge": noise}))
                store.event("run-1", None, "remark", "go on", urgent=True)
                await put
                archive.points("run-1", first, limit=10)
                await store.unpublished_points("run-1", 10)
        assert (tmp_path / "store.sqlite").stat().st_size > 12_000_000
        assert (tmp_path / "store.sqlite-wal").stat().st_size < 8_000_000


async def test_a_mistake_in_the_program_harms_only_its_own_work(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        before = store.event("run-1", None, "remark", "before")
        wrong = store._submit(lambda ledger: ledger.there_is_no_such_thing)  # type: ignore[attr-defined]
        points = store.put(sweep("run-1", 0, 10))
        after = store.event("run-1", None, "remark", "after", urgent=True)
        with pytest.raises(StoreFault, match="could not be written"):
            await wrong
        with pytest.raises(StoreFault, match="could not be written"):
            await points
        assert [await before, await after] == [0, 1]
        assert await store.put(sweep("run-1", 0, 10)) == 10
        assert store.state is StoreState.OK
        assert await store.verify("run-1") == []


async def test_a_closed_store_takes_nothing_more(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite") as store:
        pass
    with pytest.raises(StoreFault, match="the store is closed"):
        await store.event(None, None, "remark", "too late")
