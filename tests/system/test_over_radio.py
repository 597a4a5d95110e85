"""The whole road over Bluetooth LE: daemon, simulated instrument and the model of BlueZ, each a process of its own."""

import asyncio
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.store import Store
from luggin.protocol.techniques import TECHNIQUES
from support import fake_bluez_program
from support.fake_bluez_tree import INSTRUMENT
from support.private_bus import has_dbus, private_bus
from support.road import LUGGIN, REFERENCE, Road, line, walked
from support.simulate import logged

pytestmark = has_dbus
CV = TECHNIQUES["cyclic-voltammetry"].example


class Radio:
    """The model in its process, told what is to happen."""

    def __init__(self, process: Process) -> None:
        self._process = process

    async def let(self, word: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{word}\n".encode())
        await self._process.stdin.drain()
        assert (await line(self._process)).strip() == word


@asynccontextmanager
async def bench(folder: Path, *simulate: str) -> AsyncIterator[tuple[Road, Radio]]:
    """A daemon that has found its instrument."""
    with private_bus():
        async with walked(folder) as road:
            bluez = await road.start(sys.executable, fake_bluez_program.__file__, stdin=PIPE)
            assert await line(bluez) == "ready\n"
            simulator = await road.start(
                *LUGGIN, "simulate", "--ble", "left", "--points-log", str(folder / "left.points"), *simulate
            )
            assert await line(simulator) == f"ble {INSTRUMENT} left\n"
            left = {"driver": "ble", "address": INSTRUMENT, "reference": REFERENCE}
            await road.serve({"left": left})
            await road.until("left", state="Idle", cell="off", link="up")
            yield road, Radio(bluez)


@pytest.mark.long
async def test_a_run_outlasts_what_happens_to_its_radio(tmp_path: Path) -> None:
    """The link drops, the device is forgotten, BlueZ dies: what is stored is what was measured, point for point."""
    method = tmp_path / "cv.toml"
    method.write_text(CV + '\n[dead_man]\ntimeout = "10 s"\n')
    async with bench(tmp_path, "--speed", "5") as (road, radio):
        run = (await road.told("run", str(method), "-i", "left", "--detach"))["run"]
        await radio.let("drop")
        await road.until("left", state="Execute", link="up", cell="on")
        await radio.let("forget")
        await road.until("left", state="Execute", link="up", cell="on")
        await radio.let("die")
        await road.until("left", state="Execute", link="lost")
        await radio.let("live")
        await road.until("left", run=None)
        shown = await road.told("show", run, "--store", str(road.store))
        assert (shown["result"]["state"], shown["result"]["gaps"], shown["points"]) == ("Complete", [], 2810)
        listed = (await road.told("discover", "--list-only", "--seconds", "0.2"))["found"]
        [place] = [each for each in listed if each["place"] == INSTRUMENT]
        assert (place["speaks"], place["reason"]) == (None, "a running daemon has it: bench's left")
        found = await road.told("instruments", "--node", "bench")
        assert found["health"]["left"]["signal_strength"] in (-61.0, -62.0)
    measured, _ = logged(tmp_path / "left.points", run)
    async with Store.open(road.store) as store:
        batches = await store.points(run, limit=10**6)
    for name in batches[0].columns:
        assert np.array_equal(np.concatenate([each.columns[name] for each in batches]), measured[name], equal_nan=True)


async def test_nobody_scans_or_loads_bluetooth_where_it_is_not_asked_for() -> None:
    code = (
        "import sys\nfrom luggin.daemon import service\nfrom luggin.daemon.cli.main import main\n"
        "from luggin.drivers import registry\nregistry.load('ble').parse({'name': 'left'})\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print(sorted({'bleak', 'dbus_fast'} & set(sys.modules)))"
    )
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", code, stdout=PIPE)
    output, _ = await process.communicate()
    assert output.decode().splitlines()[-1] == "[]"
