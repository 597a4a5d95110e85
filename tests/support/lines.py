"""The simulated instrument at the end of every kind of line, by the drivers and the line code that are shipped."""

import asyncio
import shutil
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

from luggin.drivers.api import Driver
from luggin.drivers.link_drivers import BleDriver, SerialDriver, TcpDriver
from luggin.sim.ble_peripheral import BleLine
from luggin.sim.device import Log
from luggin.sim.driver import SimDriver
from luggin.sim.faults import parse_fault
from luggin.sim.rig import Rig
from luggin.sim.serve import Line, PtyLine, TcpLine
from luggin.sim.settings import Settings
from luggin.sim.shell import Shell
from support.radio import radio

LINES = ("memory", "pty", "tcp", *(["ble"] if shutil.which("dbus-daemon") else []))


@asynccontextmanager
async def simulated_over(
    kind: str, folder: Path, *faults: str, log: Log | None = None, mtu: int = 247, **settings: Any
) -> AsyncIterator[Driver]:
    """A driver for an instrument that is switched on meanwhile."""
    made, scripted = Settings.parse(settings), tuple(parse_fault(each) for each in faults)
    if kind == "memory":
        yield SimDriver(made, scripted, log)
        return
    async with AsyncExitStack() as stack:
        if kind == "ble":
            await stack.enter_async_context(radio(mtu=mtu))
        shell = Shell(Rig(made, asyncio.get_running_loop().time(), scripted, log))
        lines: dict[str, Line] = {"pty": PtyLine(folder / "port"), "tcp": TcpLine(0), "ble": BleLine("bench-sim")}
        places: asyncio.Queue[str] = asyncio.Queue()
        jobs = [
            asyncio.create_task(shell.work(), name="simulated instrument"),
            asyncio.create_task(lines[kind].attend(shell, places.put_nowait), name="its line"),
        ]
        try:
            where = (await places.get()).split()
            match kind:
                case "pty":
                    yield SerialDriver.parse({"port": str(folder / "port")})
                case "tcp":
                    yield TcpDriver.parse({"host": where[1], "port": int(where[2])})
                case _:
                    yield BleDriver.parse({"address": where[1]})
        finally:
            for job in jobs:
                job.cancel()
            outcomes = await asyncio.gather(*jobs, return_exceptions=True)
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome
