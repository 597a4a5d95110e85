"""From a point beyond the limits on the serial line to the cell-off frame on the line, seen from the instrument's end.

The daemon is a process, the line a pseudo-terminal.  Once the run alone, at 1000 points/s; once while a second
instrument of the same daemon streams 5000 points/s.
"""

import asyncio

from bench.harness import Loaded, loaded
from bench.rows import Row, percentiles

RATE, BESIDE, TRIPPING = 1000.0, 5000.0, 100


async def _tripped(bench: Loaded, times: int) -> list[float]:
    taken = []
    for _ in range(times):
        await bench.start("i0", 10 * TRIPPING, 1 / RATE)
        taken.append(float((await bench.happened("off", instrument=0))["after"]))
        await bench.until("i0", state="Aborted", cell="off")
        await bench.order("i0", "clear")
    return taken


async def _measure(times: int) -> list[Row]:
    async with loaded(2, tripping=TRIPPING) as bench:
        alone = await _tripped(bench, times)
        await bench.start("i1", round(3600 * BESIDE), 1 / BESIDE)
        beside = await _tripped(bench, times)
    return [
        *percentiles("over-limit batch to cell-off", alone, "one run"),
        *percentiles("over-limit batch to cell-off", beside, f"beside {BESIDE:g} points/s"),
    ]


def measure(quick: bool) -> list[Row]:
    return asyncio.run(_measure(5 if quick else 100))
