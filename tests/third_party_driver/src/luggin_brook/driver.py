"""The driver `brook`: an instrument that only sets and reads, timed by the host (`luggin.drivers.stepped`)."""

import asyncio
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any, Self

from pydantic import Field, ValidationError

from luggin.drivers.api import Session
from luggin.drivers.errors import DriverError, NotReachable, ProtocolViolation, SettingsError
from luggin.drivers.set_and_read import Measured
from luggin.drivers.stepped import attached
from luggin.drivers.stepped_memory import CAPACITY, LARGEST_PROGRAM, Memory
from luggin.drivers.tcp_stream import open_tcp
from luggin.protocol.capability import Capability, Identity
from luggin.protocol.instrument import Cell, Receipt
from luggin.protocol.problem import from_validation
from luggin.protocol.program import Control, Frozen, Program

from .line import Line

RANGE, PERIOD = 100e-6, 0.02  # A; s from point to point, what the data sheet promises


class Brook:
    """The few calls of `luggin.drivers.set_and_read`."""

    def __init__(self, line: Line, serial: str) -> None:
        self._line = line
        self.capability = Capability(
            identity=Identity(maker="nobody", model="Brook", serial=serial, firmware="1"),
            segments=("hold", "ramp"),
            controls=("potential",),
            potential_low=-1.5,
            potential_high=1.5,
            compliance=5.0,
            current_ranges=(RANGE,),
            fastest_period=PERIOD,
            steepest_sweep=0.25,
            streamed_rate=1 / PERIOD,
            buffer=CAPACITY,
            columns=("time", "phase", "cycle", "applied_potential", "potential", "current", "current_range", "flags"),
            floating=True,
            dead_man=False,
            host_timed=True,
            largest_program=LARGEST_PROGRAM,
        )

    async def prepare(self, program: Program) -> None:
        """It has one range, and nothing else to choose."""

    async def apply(self, control: Control | None, level: float) -> None:
        await self._line.ask(f"set {level * 1e3:.3f}")  # mV; the level first, then the relay
        await self._line.ask("cell on")

    async def measure(self) -> Measured:
        answer = await self._line.ask("read")
        try:
            millivolts, microamperes, relay = float(answer[0]), float(answer[1]), answer[2]
        except (ValueError, IndexError):
            raise ProtocolViolation(f"the Brook's reading {' '.join(answer)!r} is none") from None
        return Measured(millivolts * 1e-3, microamperes * 1e-6, _cell(relay), current_range=RANGE)

    async def look(self) -> Cell:
        return (await self.measure()).cell

    async def off(self) -> Receipt:
        try:
            await self._line.ask("cell off")  # at once: requests are numbered, so none waits for another
            return Receipt(await self.look())
        except DriverError as error:
            return Receipt(Cell.UNKNOWN, str(error))


class Settings(Frozen):
    host: str = Field(min_length=1, max_length=253)
    port: int = Field(ge=1, le=65535)


class BrookDriver:
    def __init__(self, settings: Settings) -> None:
        self._settings, self._memory = settings, Memory(time.monotonic())

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self:
        try:
            return cls(Settings.model_validate(dict(settings)))
        except ValidationError as error:
            raise SettingsError(from_validation(error)) from None

    @property
    def address(self) -> str:
        return f"Brook at {self._settings.host} port {self._settings.port}"

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        line: Line | None = None
        try:
            try:
                async with asyncio.timeout(timeout):
                    line = Line(await open_tcp(self._settings.host, self._settings.port))
                    unit = Brook(line, " ".join(await line.ask("who")))
            except TimeoutError:
                raise NotReachable(f"{self.address}: no answer within {timeout:g} s") from None
            async with attached(unit, self._memory) as session:
                yield session
        finally:
            if line is not None:
                await line.close()


def _cell(word: str) -> Cell:
    return {"on": Cell.ON, "off": Cell.OFF}.get(word, Cell.UNKNOWN)
