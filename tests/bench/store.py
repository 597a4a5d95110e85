"""What storing costs: five instruments at 5000 points/s each, then points as fast as they can be stored.

The disk is that of the folder for temporary files: TMPDIR.
"""

import asyncio
import tempfile
import time
from functools import partial
from pathlib import Path

import psutil

from bench.rows import Row, percentiles
from luggin.daemon.store import Store
from luggin.protocol.points import Batch
from support.stored_runs import header, sweep

INSTRUMENTS, PIECE, EVERY = 5, 250, 0.05


async def _paced(path: Path, seconds: float) -> list[Row]:
    columns = sweep("run-0", 0, PIECE).columns
    latencies: list[float] = []

    def stop_watch(asked: float, _: object) -> None:
        latencies.append(time.monotonic() - asked)

    async def instrument(store: Store, run: str, begin: float) -> None:
        done = None
        for number in range(int(seconds / EVERY)):
            await asyncio.sleep(max(begin + number * EVERY - time.monotonic(), 0))
            done = store.put(Batch(run, "boot-1", number * PIECE, columns))
            done.add_done_callback(partial(stop_watch, time.monotonic()))
        assert done is not None
        await done

    async with Store.open(path) as store:
        runs = [f"run-{number}" for number in range(INSTRUMENTS)]
        for run in runs:
            await store.begin_run(header(run, instrument=f"bench-{run}", points=100_000))
        process = psutil.Process()
        before, begin = process.cpu_times(), time.monotonic()
        await asyncio.gather(*(instrument(store, run, begin) for run in runs))
        after, took = process.cpu_times(), time.monotonic() - begin
    busy = (after.user + after.system - before.user - before.system) / took
    what = f"store: {INSTRUMENTS} instruments, {PIECE} points each {1e3 * EVERY:g} ms"
    return [Row(what, 100 * busy, "% core"), *percentiles("store: durable after", latencies, "a commit each 250 ms")]


async def _flat_out(path: Path, points: int) -> list[Row]:
    columns = sweep("run-1", 0, 5000).columns
    async with Store.open(path, interval=0.001) as store:
        await store.begin_run(header("run-1", points=points))
        begin = time.monotonic()
        for first in range(0, points, 25_000):
            puts = [store.put(Batch("run-1", "boot-1", first + more, columns)) for more in range(0, 25_000, 5000)]
            await asyncio.gather(*puts)
        took = time.monotonic() - begin
    return [Row("store: flat out", points / took, "points/s", f"{len(columns)} columns")]


def measure(quick: bool) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        flat, points = Path(folder, "flat.sqlite"), 100_000 if quick else 2_000_000
        return [
            *asyncio.run(_paced(Path(folder, "paced.sqlite"), 1.0 if quick else 10.0)),
            *asyncio.run(_flat_out(flat, points)),
            Row("store: on the disk", flat.stat().st_size / points, "bytes/pt"),
        ]
