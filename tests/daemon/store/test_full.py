"""A full disk, in three real ways: the store's own bound, a limit of file size, a small file system."""

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.store import Store, StoreFull, StoreState, writer
from luggin.protocol.points import Batch
from support import full_disk
from support.stored_runs import header, result

NOISE = np.random.default_rng(1).normal(size=2000)
RESERVE = 400_000


@pytest.fixture(autouse=True)
def _soon_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "RETRY_INTERVAL", 0.05)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=10m", "tmpfs", tmp_path], capture_output=True)
    if mounted.returncode:
        pytest.skip("only root may mount a small file system")
    yield tmp_path
    subprocess.run(["umount", "-l", tmp_path], check=True)


def noise(first: int) -> Batch:
    return Batch("run-1", "boot-1", first, {"time": NOISE, "charge": NOISE})


async def fill(store: Store) -> int:
    """Put points until there is no room; the index after the last acknowledged one."""
    first, refusal = 0, ""
    while not refusal:
        try:
            first = await store.put(noise(first))
        except StoreFull as full:
            refusal = str(full)
    assert "is full; make room, points are not stored meanwhile" in refusal
    assert store.state is StoreState.FULL
    return first


async def close_the_run(store: Store, acknowledged: int) -> None:
    """What must still be possible on a full disk."""
    await store.event("run-1", "bench-1", "disk-full", "the run is ended because the disk is full", urgent=True)
    await store.attest("bench-1", "run-1", "A. Nalyst", "the cell is unplugged", "analyst", True)
    await store.finish_run(result("run-1", acknowledged))
    assert await store.stored_after("run-1") == acknowledged
    assert [event.kind for event in await store.events("run-1")] == ["disk-full", "attested"]
    assert await store.verify("run-1") == []


async def has_room(store: Store) -> bool:
    return store.state is StoreState.OK


async def test_the_store_keeps_to_its_bound_and_closes_its_runs(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    async with Store.open(path, interval=0.005, largest=2_000_000, reserve=RESERVE) as store:
        await store.begin_run(header("run-1", columns=["time", "charge"]))
        acknowledged = await fill(store)
        await close_the_run(store, acknowledged)
        with pytest.raises(StoreFull):
            await store.begin_run(header("run-2", columns=["time", "charge"]))
        assert store.state is StoreState.FULL
    assert path.stat().st_size <= 2_000_000
    async with Store.open(path, interval=0.005, largest=2_000_000, reserve=RESERVE) as store:
        assert store.state is StoreState.FULL
        assert await store.stored_after("run-1") == acknowledged
    async with Store.open(path, interval=0.005, largest=30_000_000, reserve=RESERVE) as store:
        assert store.state is StoreState.OK
        assert await store.put(noise(acknowledged)) == acknowledged + 2000


async def test_a_limit_of_file_size(tmp_path: Path) -> None:
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        full_disk.__file__,
        str(tmp_path / "store.sqlite"),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    output, _ = await child.communicate()
    told = json.loads(output.splitlines()[-1])
    assert "is full; make room" in told["sentence"]
    assert told["state"] == "full"
    assert told["acknowledged"] > 10_000
    assert told["readable"] == told["acknowledged"]
    assert told["resumed"] == told["acknowledged"] + 2000
    assert told["state again"] == "ok"


async def test_a_full_file_system(small_disk: Path) -> None:
    path = small_disk / "store.sqlite"
    async with Store.open(path, interval=0.005, reserve=RESERVE) as store:
        await store.begin_run(header("run-1", columns=["time", "charge"]))
        (small_disk / "other").write_bytes(bytes(4_000_000))
        acknowledged = await fill(store)
        with pytest.raises(StoreFull):
            await store.put(noise(acknowledged))
        await close_the_run(store, acknowledged)
        assert not (small_disk / "store.sqlite.reserve").exists()
    # The daemon can start on the full disk, and goes on by itself once there is room.
    async with Store.open(path, interval=0.005, reserve=RESERVE) as store:
        assert store.state is StoreState.FULL
        assert await store.stored_after("run-1") == acknowledged
        serial = store.serial
        (small_disk / "other").unlink()
        while not await has_room(store):
            serial = await store.changed(serial)
        assert (small_disk / "store.sqlite.reserve").stat().st_size == RESERVE
        assert await store.put(noise(acknowledged)) == acknowledged + 2000
        assert await store.verify("run-1") == []


async def test_points_of_an_operators_hold_need_room_too(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", largest=2_000_000, reserve=RESERVE) as store:
        short = header("run-1", points=100)
        held = short.model_copy(update={"bounds": {**short.bounds, "held_points": 1_000_000}})
        with pytest.raises(StoreFull, match="1000100 points may take"):
            await store.begin_run(held)
        await store.begin_run(short)
