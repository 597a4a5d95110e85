"""A simulated source-measure unit within the test's process, at the end of a real line."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from typing import Any

from luggin.drivers.scpi import ScpiDriver
from luggin.drivers.stream import TransportStream
from luggin.drivers.tcp_stream import tune
from luggin.sim.cell.load import load_cell
from luggin.sim.pty_stream import PtyStream
from luggin.sim.smu import Quirks, SourceMeasureUnit
from luggin.sim.smu_serve import SmuShell

SETTINGS: Mapping[str, Any] = {
    "off_state": "high-impedance",
    "potential_low": "-2 V",
    "potential_high": "2 V",
    "current_ranges": ["1 uA", "100 uA", "10 mA"],
    "current_compliance": "10 mA",
    "voltage_compliance": "5 V",
    "fastest_period": "20 ms",
}


@asynccontextmanager
async def smu(line: str, *quirks: str, cell: str = "dummy-resistor", **settings: Any) -> AsyncIterator["Bench"]:
    """A unit at a `pty` or `tcp` line, and the driver for it."""
    unit = SourceMeasureUnit(load_cell(cell), asyncio.get_running_loop().time(), Quirks.parse(quirks))
    shell = SmuShell(unit)
    attending: set[asyncio.Task[None]] = set()
    server: asyncio.Server | None = None
    if line == "pty":
        terminal = PtyStream()
        attending.add(asyncio.create_task(shell.attend(terminal)))
        place: dict[str, Any] = {"port": terminal.path, "baud_rate": 115200}
    else:

        def accepted(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            tune(writer)
            attending.add(asyncio.create_task(shell.attend(TransportStream(reader, writer))))

        server = await asyncio.start_server(accepted, "127.0.0.1", 0)
        place = {"host": "127.0.0.1", "tcp_port": server.sockets[0].getsockname()[1]}
    try:
        yield Bench(unit, ScpiDriver.parse({**SETTINGS, **place, **settings}), attending)
    finally:
        if server is not None:
            server.close()
        for task in attending:
            task.cancel()
        await asyncio.gather(*attending, return_exceptions=True)


class Bench:
    def __init__(self, unit: SourceMeasureUnit, driver: ScpiDriver, attending: set[asyncio.Task[None]]) -> None:
        self.unit, self.driver = unit, driver
        self._attending = attending

    async def until(self, done: Callable[[], bool]) -> None:
        """Wait for something that the unit was told."""
        while not done():  # noqa: ASYNC110 (a unit tells nobody)
            await asyncio.sleep(0)

    def unplug(self) -> None:
        for task in self._attending:
            task.cancel()
