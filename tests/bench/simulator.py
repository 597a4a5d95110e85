"""How many points per second `luggin simulate` makes and sends, how soon it lets go, and how right its cell is.

The instrument is a process of its own; this one is its host and needs a core for itself.  Slices of computing are what
a cell-off waits for.  The error is that of a reversible sweep against Nicholson and Shain's current function, computed.
"""

import asyncio
import time

import numpy as np
import psutil

from bench.rows import Row
from luggin.protocol.instrument import Status
from luggin.protocol.link.documents import program_digest, write_program
from luggin.protocol.points import Batch
from luggin.protocol.program import Program, Until
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import SLICE, Shell
from support.bench import RUN, block, program, ramp
from support.cells import AREA, DIFFUSION, FARADAY, THERMAL, cell, couple, peak, sweep
from support.simulate import simulate

CYCLE = 5000


def sweeps(points: int, period: float, *until: Until) -> Program:
    rate = 0.5 / (CYCLE / 2) / period
    there, back = ramp(0.0, 0.5, rate, period, until=until), ramp(0.5, 0.0, rate, period, until=until)
    return program(block(there, back, repeat=points // CYCLE))


async def _throughput(line: tuple[str, ...], cell: str, period: float, points: int, speed: float) -> Row:
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
    remark = f"{points / core:.0f} per second of a core"
    assert received == points
    return Row(f"simulator: {cell} over {line[0].strip('-')}", points / took, "points/s", remark)


class _Clock:
    """A time that stands still while a slice is computed."""

    now = 0.0

    def time(self) -> float:
        return self.now


def _slices(cell: str, wanted: Program, how: str = "") -> Row:
    """What one slice takes of a core, while a program is computed as fast as possible."""
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
    remark = f"median {half:.2f}, longest {longest:.2f} ms; aim {1e3 * SLICE:g} ms"
    return Row(f"simulator: slice of {cell}{how}, p99", float(most), "ms", remark)


def _steps(step: float) -> list[Row]:
    """A reversible sweep in steps of so many V, and the error of its peak (0.446295 for sqrt(pi) chi, -28.492 mV)."""
    rate, begun = 0.1, time.perf_counter()
    potential, response = sweep(cell(couple()), rate, 0.3, -0.2, step=step)
    took = time.perf_counter() - begun
    where, height = peak(potential, -response.current)
    function = height / (FARADAY * AREA * np.sqrt(DIFFUSION * rate / THERMAL))
    what = f"cell alone: sweep in steps of {1e3 * step:g} mV"
    remark = f"{where * 1e3 + 28.492:+.3f} mV; of the computed peak"
    return [
        Row(what, len(potential) / took, "steps/s"),
        Row(f"{what}, peak error", 100 * (function / 0.446295 - 1), "%", remark),
    ]


async def _streamed(points: int) -> list[Row]:
    rows = []
    for line in (("--tcp", "0"), ("--pty",)):
        rows.append(await _throughput(line, "dummy-resistor", 20e-6, points, 1.0))
        rows.append(await _throughput(line, "dummy-r-rc", 20e-6, points, 1000.0))
        rows.append(await _throughput(line, "redox-probe", 1e-3, points // 4, 1e6))
    return rows


def measure(quick: bool) -> list[Row]:
    points = CYCLE if quick else 20_000
    never = Until(quantity="current-magnitude", above=1.0)
    return [
        *_steps(1e-3),
        *_steps(1e-4),
        *asyncio.run(_streamed(20_000 if quick else 200_000)),
        *(_slices(cell, sweeps(points, 1e-3)) for cell in ("dummy-r-rc", "redox-probe", "paracetamol")),
        _slices("redox-probe", sweeps(points, 1e-3, never), ", each point watched"),
    ]
