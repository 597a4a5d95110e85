"""What storing costs: five instruments at 5000 points/s each, then points as fast as they can be stored.

usage: python tests/bench/store.py [DIRECTORY]; the directory decides which disk is measured
"""

import asyncio
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import psutil

from luggin.daemon.store import Store
from luggin.protocol.points import Batch

sys.path.insert(0, str(Path(__file__).parents[1]))
from support.stored_runs import header, sweep

INSTRUMENTS, PIECE, EVERY, SECONDS, FLAT_OUT = 5, 250, 0.05, 10.0, 2_000_000


async def paced(path: Path) -> None:
    columns = sweep("run-0", 0, PIECE).columns
    latencies: list[float] = []

    def stop_watch(asked: float, _: object) -> None:
        latencies.append(time.monotonic() - asked)

    async def instrument(store: Store, run: str, begin: float) -> None:
        done = None
        for number in range(int(SECONDS / EVERY)):
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
        after, seconds = process.cpu_times(), time.monotonic() - begin
    busy = (after.user + after.system - before.user - before.system) / seconds
    p50, p99 = np.percentile(latencies, [50, 99]) * 1e3
    print(f"{INSTRUMENTS} instruments, {PIECE} points each {EVERY * 1e3:.0f} ms: {busy:.1%} of a core")
    print(f"  durable after {p50:.0f} ms (median), {p99:.0f} ms (p99); a commit comes each 250 ms")


async def flat_out(path: Path) -> None:
    columns = sweep("run-1", 0, 5000).columns
    async with Store.open(path, interval=0.001) as store:
        await store.begin_run(header("run-1", points=FLAT_OUT))
        begin = time.monotonic()
        for first in range(0, FLAT_OUT, 25_000):
            puts = [store.put(Batch("run-1", "boot-1", first + more, columns)) for more in range(0, 25_000, 5000)]
            await asyncio.gather(*puts)
        seconds = time.monotonic() - begin
    print(f"flat out: {FLAT_OUT / seconds / 1e6:.2f} million points/s")


def main() -> None:
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as folder:
        asyncio.run(paced(Path(folder, "paced.sqlite")))
        asyncio.run(flat_out(Path(folder, "flat.sqlite")))
        print(f"{Path(folder, 'flat.sqlite').stat().st_size / FLAT_OUT:.1f} bytes a point on the disk")


if __name__ == "__main__":
    main()
