"""A simulated instrument that goes on whether or not a host is there, and its driver, over a line within the loop."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

from faults.truth import Truth
from luggin.drivers.api import Session
from luggin.drivers.errors import NotReachable
from luggin.drivers.link import open_link
from luggin.drivers.stream import MemoryStream
from luggin.sim.faults import parse_fault
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import Shell

_MOST_KEPT = 4000


class Plugged:
    """Switched on from `running` on.  `plugged` says whether its cable is in; `overheard` are frames of its hosts."""

    address = "the simulated instrument on the bench"

    def __init__(self, settings: Settings, truth: Truth) -> None:
        self._loop = asyncio.get_running_loop()
        self.truth = truth
        self.rig = Rig(settings, self._loop.time(), (), truth)
        truth.watch(self.rig)
        self._shell = Shell(self.rig)
        self._far: MemoryStream | None = None
        self.plugged = True
        self.overheard: list[bytes] = []

    @asynccontextmanager
    async def running(self) -> AsyncIterator["Plugged"]:
        work = asyncio.create_task(self._shell.work(), name="simulated instrument")
        try:
            yield self
        finally:
            work.cancel()
            with suppress(asyncio.CancelledError):
                await work

    def fault(self, text: str) -> None:
        fault = parse_fault(text)
        self.truth.stuck |= fault.kind.startswith("relay-") and fault.kind != "relay-sound"
        self.truth.hung += fault.value if fault.kind == "stall" else 0.0
        self.rig.fault(fault, self._loop.time())

    async def unplug(self) -> None:
        self.plugged = False
        if self._far is not None:
            await self._far.close()

    def repeat(self, frames: list[bytes]) -> None:
        """Old frames come over the line once more."""
        for each in frames:
            self.rig.receive(each, self._loop.time())

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        if not self.plugged:
            raise NotReachable("there is no such device; is it plugged in?")
        if self._far is not None:
            raise NotReachable("another program uses it; close that first")
        near, self._far = _Overheard(self.overheard), MemoryStream()
        near.connect(self._far)
        self._far.connect(near)
        line = asyncio.create_task(self._shell.attend(self._far), name="its line")
        try:
            async with open_link(near, self.address, timeout) as session:
                yield session
        finally:
            self._far = None
            await line


class _Overheard(MemoryStream):
    """The host's end; what is sent is kept for whoever wants to repeat it."""

    def __init__(self, kept: list[bytes]) -> None:
        super().__init__()
        self._kept = kept

    async def write(self, data: bytes) -> None:
        if len(self._kept) < _MOST_KEPT:
            self._kept.append(data)
        await super().write(data)
