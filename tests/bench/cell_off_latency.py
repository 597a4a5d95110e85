"""How long it takes from the arrival of a batch that violates a limit to the call of cell-off.

Run it by hand: python tests/bench/cell_off_latency.py.  The instrument is played, the store is real; meanwhile a
second instrument streams batches through the same loop and the same store.
"""

import asyncio
import statistics
import sys
import tempfile
import time
from pathlib import Path

import structlog

sys.path.insert(0, str(Path(__file__).parents[1]))

from luggin.drivers.api import News
from luggin.protocol.instrument import Receipt
from luggin.protocol.points import Batch
from support.attended import attended
from support.scripted import Instrument, ScriptedSession

RUNS = 100


async def once(points: int, load: float) -> float:
    """Seconds from a batch of `points` in the driver's queue to cell-off, under `load` other batches per second."""
    arrived = off = 0.0
    driver = Instrument()
    with tempfile.TemporaryDirectory() as folder:
        async with attended(Path(folder), driver, interval=0.25) as bench:
            await bench.ready()
            await bench.start()
            session = driver.session
            assert session is not None

            async def streaming() -> None:
                while load:
                    driver.measure(points)
                    await asyncio.sleep(1 / load)

            stream = asyncio.create_task(streaming())
            await asyncio.sleep(0.2)
            tell, cell_off = ScriptedSession.tell, ScriptedSession.cell_off

            def told(self: ScriptedSession, news: News) -> None:
                nonlocal arrived
                if isinstance(news, Batch) and news.columns["potential"][0] > 1:
                    arrived = time.perf_counter()
                tell(self, news)

            async def switched(self: ScriptedSession) -> Receipt:
                nonlocal off
                off = off or time.perf_counter()
                return await cell_off(self)

            ScriptedSession.tell, ScriptedSession.cell_off = told, switched  # type: ignore[method-assign]
            driver.measure(points, potential=3.0)
            stream.cancel()
            await bench.becomes("Aborted")
            ScriptedSession.tell, ScriptedSession.cell_off = tell, cell_off  # type: ignore[method-assign]
    return off - arrived


async def main() -> None:
    for points, load in ((5, 0.0), (50, 20.0), (500, 20.0)):
        taken = sorted([await once(points, load) for _ in range(RUNS)])
        middle, worst = statistics.median(taken), taken[int(0.99 * len(taken))]
        print(f"{points:4} points, {load:4g} batches/s beside: median {middle * 1e3:.2f} ms, p99 {worst * 1e3:.2f} ms")


if __name__ == "__main__":
    structlog.configure(
        processors=[structlog.processors.JSONRenderer()], logger_factory=structlog.ReturnLoggerFactory()
    )
    asyncio.run(main())
