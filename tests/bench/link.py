"""How many points per second come through the link alone: from another process over a line to `news`, decoded, joined.

The instrument is one on paper that makes its points as fast as the line takes them; each has time, phase, cycle,
potential, current and flags.  Over a pseudo-terminal and over TCP on loopback.
"""

import asyncio
import multiprocessing
import time

from bench.rows import Row
from luggin.drivers.link_drivers import SerialDriver, TcpDriver
from luggin.protocol.points import Batch
from luggin.sim.pty_stream import PtyStream
from support.paper_instrument import PaperInstrument, program
from support.served import Served

RUN = "throughput"


def _instrument(kind: str, where: "multiprocessing.Queue[str | int]") -> None:
    """The other process."""

    async def main() -> None:
        line = Served(kind, PaperInstrument())
        if kind == "pty":
            terminal = PtyStream()
            where.put(terminal.path)
            await line.serve(terminal)
        else:
            server = await asyncio.start_server(line.accepted, "127.0.0.1", 0)
            where.put(server.sockets[0].getsockname()[1])
            await server.serve_forever()

    asyncio.run(main())


async def _through(kind: str, where: str | int, count: int) -> list[Row]:
    settings = {"port": where} if kind == "pty" else {"host": "127.0.0.1", "port": where}
    driver = SerialDriver.parse(settings) if kind == "pty" else TcpDriver.parse(settings)
    async with driver.open(10.0) as session:
        await session.arm(RUN, program(count, 1e-7))
        await session.start(RUN)
        begun, busy, after = time.perf_counter(), time.process_time(), 0
        async for each in session.news():
            if isinstance(each, Batch):
                after = each.after
                if after == count:
                    break
        took, used = time.perf_counter() - begun, time.process_time() - busy
    return [
        Row(f"link over {kind}, decoded", after / took, "points/s", f"{used / after * 1e6:.1f} us of the host a point")
    ]


def measure(quick: bool) -> list[Row]:
    rows = []
    for kind in ("pty", "tcp"):
        where: multiprocessing.Queue[str | int] = multiprocessing.Queue()
        process = multiprocessing.Process(target=_instrument, args=(kind, where), daemon=True)
        process.start()
        rows += asyncio.run(_through(kind, where.get(), 20_000 if quick else 500_000))
        process.kill()
        process.join()
    return rows
