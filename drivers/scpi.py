"""The driver `scpi`: a source-measure unit that speaks SCPI-1999, timed by the host.  Wiring and limits: SMU.md."""

import asyncio
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any, Self

from pydantic import ValidationError

from luggin.drivers.api import Session
from luggin.drivers.errors import LinkLost, NoAnswer, NotReachable, ProtocolViolation, Refused, SettingsError
from luggin.drivers.scpi_line import ScpiLine
from luggin.drivers.scpi_settings import ScpiSettings
from luggin.drivers.scpi_unit import READING, ScpiUnit
from luggin.drivers.stepped import attached
from luggin.drivers.stepped_memory import CAPACITY, LARGEST_PROGRAM, Memory
from luggin.drivers.stream import ByteStream
from luggin.protocol.capability import Capability, Identity
from luggin.protocol.problem import from_validation

LARGEST_STEP = 5e-3
"""Volts: a sweep in coarser steps is no sweep any more."""
_CAREFUL = 1.0
"""Period (s) for a unit that can't be tried because its output is on."""
_TRIALS, _MARGIN, _SHORTEST = 4, 2.0, 0.01


class ScpiDriver:
    """One unit; the points of its last run are kept for as long as this object lives."""

    def __init__(self, settings: ScpiSettings) -> None:
        self._settings = settings
        self._memory = Memory(time.monotonic())
        self._period = settings.fastest_period

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self:
        """Understand settings.  Raises SettingsError, naming each wrong field."""
        try:
            return cls(ScpiSettings.model_validate(dict(settings)))
        except ValidationError as error:
            raise SettingsError(from_validation(error)) from None

    @property
    def address(self) -> str:
        return self._settings.address

    @property
    def host(self) -> str | None:
        return self._settings.host

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        line: ScpiLine | None = None
        try:
            try:
                async with asyncio.timeout(timeout):
                    line = ScpiLine(await self._connect(), self.address, self._settings.answer_within)
                    line.start()
                    unit = await self._meet(line)
            except TimeoutError:
                raise NotReachable(f"{self.address}: no unit answered within {timeout:g} s") from None
            except (LinkLost, NoAnswer) as error:
                raise NotReachable(f"{error}; is it switched on, and are line and speed right?") from None
            async with attached(unit, self._memory) as session:
                yield session
        finally:
            if line is not None:
                await line.close()

    async def _connect(self) -> ByteStream:
        settings = self._settings
        if settings.port is not None:
            from luggin.drivers.serial_stream import open_serial

            return await open_serial(settings.port, settings.baud_rate)
        from luggin.drivers.tcp_stream import open_tcp

        assert settings.host is not None
        return await open_tcp(settings.host, settings.tcp_port)

    async def _meet(self, line: ScpiLine) -> ScpiUnit:
        """Ask who it is and whether its output is on; nothing is changed, and an energised unit is not even tried."""
        identity = [field.strip()[:64] for field in (await line.greet()).split(",", 3)]
        on = (await line.ask(":OUTP?", 1, forgiving=True))[0] != "0"
        if self._period is None and not on:
            self._period = await self._try(line)
        return ScpiUnit(line, self._settings, self._capability(identity, self._period or _CAREFUL))

    async def _try(self, line: ScpiLine) -> float:
        """How fast steps may follow each other (s), from the slowest of a few readings at the open output."""
        loop, slowest = asyncio.get_running_loop(), 0.0
        for _ in range(_TRIALS):
            begun = loop.time()
            try:
                await line.ask(READING, 3)
            except Refused as error:
                words = f"it gives no reading while its output is off, so state its fastest_period: {error}"
                raise ProtocolViolation(f"{self.address}: {words}") from None
            slowest = max(slowest, loop.time() - begun)
        period = max(_SHORTEST, _MARGIN * slowest + self._settings.settle)
        return float(f"{period * 1.05:.1e}")

    def _capability(self, identity: list[str], period: float) -> Capability:
        settings = self._settings
        maker, model, serial, firmware = identity
        columns = ["time", "phase", "cycle", "applied_potential", "potential", "current"]
        columns += [] if settings.autorange else ["current_range"]
        return Capability(
            identity=Identity(maker=maker, model=model, serial=serial, firmware=firmware),
            segments=("open", "hold", "ramp") if settings.zero_current_is_open else ("hold", "ramp"),
            controls=settings.controls,
            potential_low=settings.potential_low,
            potential_high=settings.potential_high,
            compliance=settings.voltage_compliance,
            current_ranges=settings.current_ranges,
            fastest_period=period,
            steepest_sweep=LARGEST_STEP / period,
            streamed_rate=1 / period,
            buffer=CAPACITY,
            columns=(*columns, "charge", "current_minimum", "current_maximum", "flags"),
            floating=settings.floating,
            dead_man=False,
            host_timed=True,
            largest_program=LARGEST_PROGRAM,
        )
