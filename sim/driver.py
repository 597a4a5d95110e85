"""The bundled driver `sim`: a simulated instrument within this process, at the other end of the same link."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any, Self

from luggin.drivers.api import Session
from luggin.drivers.errors import NotReachable, SettingsError
from luggin.drivers.link import open_link
from luggin.drivers.stream import memory_pair
from luggin.protocol.problem import Problem
from luggin.sim.device import Log
from luggin.sim.faults import Fault, parse_fault
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import Shell


class SimDriver:
    """One simulated instrument, switched on at the first `open` and from then on for as long as this object lives.

    Between sessions it goes on in real time, as far as anybody can tell: the next session makes up for it first.
    """

    def __init__(self, settings: Settings, faults: tuple[Fault, ...] = (), log: Log | None = None) -> None:
        self._settings, self._faults, self._log = settings, faults, log
        self._rig: Rig | None = None
        self._in_use = False

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self:
        """Understand settings: those of `Settings`, and `faults`, a list of texts.

        Raises SettingsError, naming each wrong field.
        """
        rest = {name: value for name, value in settings.items() if name != "faults"}
        texts = settings.get("faults", [])
        if not isinstance(texts, list | tuple) or not all(isinstance(text, str) for text in texts):
            raise SettingsError([Problem("faults", texts, "this is no list of texts", 'write ["stall=3@20"]')])
        return cls(Settings.parse(rest), tuple(parse_fault(text) for text in texts))

    @property
    def address(self) -> str:
        cell = self._settings.cell
        return f"simulated instrument with cell {cell if isinstance(cell, str) else 'of its own'}"

    def fault(self, text: str) -> None:
        """Let something go wrong, now or at a run time: see `luggin.sim.faults`."""
        fault = parse_fault(text)
        if self._rig is None:
            self._faults = (*self._faults, fault)
        else:
            self._rig.fault(fault, asyncio.get_running_loop().time())

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        if self._in_use:
            raise NotReachable(f"{self.address}: another session has it; close that first")
        loop = asyncio.get_running_loop()
        latest = loop.time() + timeout
        if self._rig is None:
            self._rig = Rig(self._settings, loop.time(), self._faults, self._log)
        self._in_use = True
        try:
            shell = Shell(self._rig)
            try:
                async with asyncio.timeout_at(latest):
                    await shell.catch_up()
            except TimeoutError:
                raise NotReachable(f"{self.address}: still computing what it missed; try again") from None
            async with self._connected(shell, latest - loop.time()) as session:
                yield session
        finally:
            self._in_use = False

    @asynccontextmanager
    async def _connected(self, shell: Shell, timeout: float) -> AsyncIterator[Session]:
        host, instrument = memory_pair()
        jobs = [
            asyncio.create_task(shell.work(), name="simulated instrument"),
            asyncio.create_task(shell.attend(instrument), name="its line"),
        ]
        try:
            async with open_link(host, self.address, timeout) as session:
                yield session
        finally:
            for job in jobs:
                job.cancel()
            outcomes = await asyncio.gather(*jobs, return_exceptions=True)
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome
