"""Bluetooth LE without a radio: the model of BlueZ on a bus of its own, and an instrument that is a peripheral."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from luggin.drivers.link_drivers import BleDriver
from luggin.sim.ble_peripheral import BleLine
from luggin.sim.serve import Attends
from support.fake_bluez import FakeBlueZ
from support.fake_bluez_tree import INSTRUMENT
from support.private_bus import private_bus

NAME = "bench-sim"


@asynccontextmanager
async def radio(**settings: Any) -> AsyncIterator[FakeBlueZ]:
    """A running model.  After it no task of the library is left: they end with the bus."""
    with private_bus():
        bluez = FakeBlueZ(**settings)
        await bluez.start()
        before = asyncio.all_tasks()
        try:
            yield bluez
        finally:
            await bluez.die()
    watching = [each for each in asyncio.all_tasks() - before if "_monitor_bus_disconnect" in repr(each.get_coro())]
    if watching:
        await asyncio.wait(watching)


@asynccontextmanager
async def peripheral(attendant: Attends, name: str = NAME) -> AsyncIterator[None]:
    """Offered by the shipped code, its connections served by `attendant`."""
    offered = asyncio.Event()
    line = asyncio.create_task(BleLine(name).attend(attendant, lambda _: offered.set()))
    waiting = asyncio.create_task(offered.wait())
    await asyncio.wait({line, waiting}, return_when=asyncio.FIRST_COMPLETED)
    try:
        yield
    finally:
        for task in (line, waiting):
            task.cancel()
        outcomes = await asyncio.gather(line, waiting, return_exceptions=True)
        if isinstance(outcomes[0], Exception):
            raise outcomes[0]


def driver() -> BleDriver:
    return BleDriver.parse({"address": INSTRUMENT})
