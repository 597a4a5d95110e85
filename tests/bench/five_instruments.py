"""What five instruments with 1000 points/s each cost: share of a core and resident memory of the daemon.

Once with 50 points to a frame, as the simulated instrument and sensible firmware have it, and once with 2, which
is 2500 frames each second.  The daemon is a process, on five serial lines and at a mosquitto with a subscriber; none
of these counts.
"""

import asyncio
import time

from bench.harness import loaded
from bench.rows import Row

INSTRUMENTS, RATE, SETTLING = 5, 1000.0, 2.0


async def _measure(seconds: float, every: float) -> list[Row]:
    points = round((seconds + 2 * SETTLING) * RATE)
    async with loaded(INSTRUMENTS, every) as bench:
        idle = bench.memory
        runs = await asyncio.gather(*(bench.start(name, points, 1 / RATE) for name in bench.names))
        await asyncio.sleep(SETTLING)
        before, begun = bench.process.cpu_times(), time.monotonic()
        await asyncio.sleep(seconds)
        after, took = bench.process.cpu_times(), time.monotonic() - begun
        memory = bench.memory
        for run in runs:
            await bench.came(run, points)
    share = (after.user + after.system - before.user - before.system) / took
    return [
        Row(f"five instruments, a frame each {1e3 * every:g} ms: daemon", 100 * share, "% core", f"over {took:.0f} s"),
        Row("resident memory of the daemon meanwhile", memory, "MB", f"{idle:.0f} MB before the runs"),
    ]


def measure(quick: bool) -> list[Row]:
    seconds = 2.0 if quick else 15.0
    return [row for every in (0.05, 0.002) for row in asyncio.run(_measure(seconds, every))]
