"""From the bytes of a point on the serial line to a subscriber, at 1000 points/s.

Most of it is waiting for the commit: nothing is published that is not durable, and one commit each 250 ms serves all
instruments.  The broker is mosquitto; line, daemon and subscriber are processes of their own.
"""

import asyncio
from bisect import bisect_right

from bench.harness import loaded
from bench.rows import Row, percentiles

RATE = 1000.0


async def _measure(seconds: float) -> list[Row]:
    points = round(seconds * RATE)
    async with loaded() as bench:
        run = await bench.start("i0", points, 1 / RATE)
        durable, came = await asyncio.gather(bench.happened("durable", run=run), bench.came(run, points))
    # A frame went on the line when its newest point was made; each message tells when it came.
    sent, after = zip(*durable["frames"], strict=True)
    taken = [
        at - sent[bisect_right(after, index)] for at, first, count in came for index in range(first, first + count)
    ]
    return percentiles("serial line to subscriber", taken, f"{RATE:g} points/s, a commit each 250 ms")


def measure(quick: bool) -> list[Row]:
    return asyncio.run(_measure(2.0 if quick else 20.0))
