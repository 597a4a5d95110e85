"""`luggin simulate` in a process of its own."""

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import numpy as np

from luggin.drivers.api import Driver
from luggin.drivers.link_drivers import SerialDriver, TcpDriver
from luggin.protocol.points import COLUMNS, Array

LUGGIN = (sys.executable, "-c", "import sys; from luggin.daemon.cli.main import main; sys.exit(main())")


class Simulated:
    """The process, and where its instrument can be reached."""

    def __init__(self, process: asyncio.subprocess.Process, place: str) -> None:
        self.process, self.place = process, place

    @property
    def driver(self) -> Driver:
        kind, *where = self.place.split()
        if kind == "pty":
            return SerialDriver.parse({"port": where[0]})
        return TcpDriver.parse({"host": where[0], "port": int(where[1])})

    async def fault(self, text: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{text}\n".encode())
        await self.process.stdin.drain()

    async def next_place(self) -> None:
        """Wait until it says that it is to be reached somewhere else."""
        assert self.process.stdout is not None
        self.place = (await self.process.stdout.readline()).decode().strip()

    async def end(self) -> int:
        """Ask it to end, and wait; its exit code."""
        self.process.terminate()
        return await self.process.wait()


@asynccontextmanager
async def simulate(*arguments: str) -> AsyncIterator[Simulated]:
    process = await asyncio.create_subprocess_exec(
        *LUGGIN,
        "simulate",
        *arguments,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    simulated = Simulated(process, "")
    try:
        await simulated.next_place()
        assert simulated.place, "it ended without saying where it is"
        yield simulated
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


def logged(path: Path, run: str) -> tuple[dict[str, Array], list[dict[str, Any]]]:
    """Points and events of a run in the simulator's own log."""
    entries = [json.loads(line) for line in path.read_text().splitlines()]
    entries = [entry for entry in entries if entry["run"] == run]
    parts = [entry["columns"] for entry in entries if "columns" in entry]
    points = {
        name: np.array(
            [np.nan if value is None else value for part in parts for value in part[name]], COLUMNS[name].dtype
        )
        for name in (parts[0] if parts else {})
    }
    return points, [entry for entry in entries if "event" in entry]
