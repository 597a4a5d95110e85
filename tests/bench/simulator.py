"""How many points per second `luggin simulate` makes and sends, on how much of a core, and how soon it lets go.

Run it by hand: `python tests/bench/simulator.py`.  The instrument is a process of its own; this one is its host and
needs a core for itself.  The last lines say how long slices of computing last, within which cell-off waits.
"""

import asyncio
import sys
import time
from pathlib import Path

import numpy as np
import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from luggin.protocol.instrument import Status
from luggin.protocol.link.documents import program_digest, write_program
from luggin.protocol.points import Batch
from luggin.protocol.program import Program, Until
from luggin.sim.executor.execution import MOST_AT_ONCE
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import SLICE, Shell
from support.bench import RUN, block, program, ramp
from support.simulate import simulate

CYCLE = 5000


def sweeps(points: int, period: float, *until: Until) -> Program:
    rate = 0.5 / (CYCLE / 2) / period
    there, back = ramp(0.0, 0.5, rate, period, until=until), ramp(0.5, 0.0, rate, period, until=until)
    return program(block(there, back, repeat=points // CYCLE))


async def throughput(line: tuple[str, ...], cell: str, period: float, points: int, speed: float) -> None:
    async with simulate(*line, "--cell", cell, "--speed", str(speed)) as simulated:
        process = psutil.Process(simulated.process.pid)
        async with simulated.driver.open(5.0) as session:
            await session.arm(RUN, sweeps(points, period))
            before, begun, received, alive = process.cpu_times(), time.perf_counter(), 0, 0.0
            await session.start(RUN)
            async for news in session.news():
                if isinstance(news, Batch):
                    received = news.after
                if time.perf_counter() > alive + 0.5:
                    alive = time.perf_counter()
                    await session.keep_alive()
                    await session.acknowledge(RUN, received)
                if isinstance(news, Status) and news.outcome is not None:
                    break
            took, after = time.perf_counter() - begun, process.cpu_times()
    core = after.user + after.system - before.user - before.system
    print(
        f"{' '.join(line):8} {cell:14} {received} points: {received / took:8.0f} /s, {core / took:4.2f} of a core, "
        f"{received / core:8.0f} per second of a core; lost {news.lost if isinstance(news, Status) else 0}"
    )


class _Clock:
    """A time that stands still while a slice is computed."""

    now = 0.0

    def time(self) -> float:
        return self.now


def slices(cell: str, wanted: Program) -> None:
    """Seconds of a core that one slice takes, while a program is computed as fast as possible."""
    clock, rig = _Clock(), Rig(Settings.parse({"cell": cell, "speed": 1e6}), 0.0)
    device, shell, encoded = rig.firmware.device, Shell(rig), write_program(wanted)
    device.upload(0, encoded)
    device.arm(RUN, len(encoded), program_digest(encoded))
    device.start(RUN, 0.0, 0.0)
    lengths = []
    while device.standing[3] is None:
        clock.now += 1e-3
        device.keep_alive(clock.now, clock.now)
        begun = time.thread_time()
        shell.slice(clock)
        lengths.append(time.thread_time() - begun)
    half, most, longest = 1e3 * np.percentile(lengths, [50, 99, 100])
    print(f"slices   {cell:14} p50 {half:.2f} ms, p99 {most:.2f} ms, longest {longest:.2f} ms (aim {1e3 * SLICE:g} ms)")


async def main() -> None:
    for line in (("--tcp", "0"), ("--pty",)):
        await throughput(line, "dummy-resistor", 20e-6, 300_000, 1.0)
        await throughput(line, "dummy-r-rc", 20e-6, 300_000, 1000.0)
        await throughput(line, "redox-probe", 1e-3, 40_000, 1e6)
    never = Until(quantity="current-magnitude", above=1.0)
    for cell in ("dummy-r-rc", "redox-probe", "paracetamol"):
        slices(cell, sweeps(20_000, 1e-3))
    slices("redox-probe", sweeps(20_000, 1e-3, never))
    print(f"at most {MOST_AT_ONCE} samples a slice")


if __name__ == "__main__":
    asyncio.run(main())
