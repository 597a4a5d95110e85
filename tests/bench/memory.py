"""What many points leave in the daemon's memory: its resident size after 0.1 million points, and after 5 million.

Whole runs one after the other, as fast as the line takes them; each is durable and published before the next.
"""

import asyncio

from bench.harness import Loaded, loaded
from bench.rows import Row


async def _run(bench: Loaded, points: int) -> None:
    run = await bench.start("i0", points, 1e-6)
    await asyncio.gather(bench.happened("durable", run=run), bench.came(run, points))
    await bench.until("i0", state="Idle")


async def _measure(first: int, rest: list[int]) -> list[Row]:
    async with loaded() as bench:
        begin = bench.memory
        await _run(bench, first)
        little = bench.memory
        for points in rest:
            await _run(bench, points)
        much = bench.memory
    total = (first + sum(rest)) / 1e6
    return [
        Row("resident memory once started", begin, "MB"),
        Row(f"after {first / 1e6:g} million points", little, "MB"),
        Row(f"after {total:g} million points", much, "MB", f"{len(rest) + 1} runs"),
        Row("growth", much - little, "MB"),
    ]


def measure(quick: bool) -> list[Row]:
    if quick:
        return asyncio.run(_measure(20_000, [30_000]))
    return asyncio.run(_measure(100_000, [900_000, 1_000_000, 1_000_000, 1_000_000, 1_000_000]))
