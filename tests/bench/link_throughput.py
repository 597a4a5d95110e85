"""How many points per second come through the link: from another process over a line to `news`, decoded and joined.

Run it by hand: `python tests/bench/link_throughput.py [pty|tcp] [points]`.  The instrument is one on paper that makes
its points as fast as the line takes them; each has time, phase, cycle, potential, current and flags.
"""

import asyncio
import multiprocessing
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from luggin.drivers.link_drivers import SerialDriver, TcpDriver
from luggin.protocol.points import Batch
from luggin.sim.pty_stream import PtyStream
from support.paper_instrument import PaperInstrument, program
from support.served import Served

RUN = "throughput"


def instrument(kind: str, where: "multiprocessing.Queue[str | int]") -> None:
    """The other process."""

    async def main() -> None:
        line = Served(kind, PaperInstrument())
        if kind == "pty":
            terminal = PtyStream()
            where.put(terminal.path)
            await line._serve(terminal)
        else:
            server = await asyncio.start_server(line._accepted, "127.0.0.1", 0)
            where.put(server.sockets[0].getsockname()[1])
            await server.serve_forever()

    asyncio.run(main())


async def measure(kind: str, where: str | int, count: int) -> None:
    settings = {"port": where} if kind == "pty" else {"host": "127.0.0.1", "port": where}
    driver = SerialDriver.parse(settings) if kind == "pty" else TcpDriver.parse(settings)
    async with driver.open(10.0) as session:
        await session.arm(RUN, program(count, 1e-7))
        await session.start(RUN)
        began, busy, batches, after = time.perf_counter(), time.process_time(), 0, 0
        async for each in session.news():
            if isinstance(each, Batch):
                batches, after = batches + 1, each.after
                if after == count:
                    break
        took, used = time.perf_counter() - began, time.process_time() - busy
    print(f"{kind}: {after} points in {took:.2f} s: {after / took:,.0f} points/s in {batches} batches")
    print(f"host: {used / after * 1e6:.1f} us of processor time a point, {100 * used / took:.0f} % of one core")


if __name__ == "__main__":
    kind = sys.argv[1] if len(sys.argv) > 1 else "pty"
    where: "multiprocessing.Queue[str | int]" = multiprocessing.Queue()
    process = multiprocessing.Process(target=instrument, args=(kind, where), daemon=True)
    process.start()
    asyncio.run(measure(kind, where.get(), int(sys.argv[2]) if len(sys.argv) > 2 else 300_000))
    process.kill()
