"""A daemon that is killed in mid-run again and again: what is exported is what an undisturbed run gives."""

import asyncio
from contextlib import AsyncExitStack
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from faults.choice import cell_of
from faults.town import Town
from luggin.daemon.export import read_package
from luggin.protocol import document
from luggin.protocol.points import COLUMNS, Array
from luggin.protocol.techniques import TECHNIQUES
from support.road import Road, has_mosquitto

pytestmark = pytest.mark.long

_SEED = "11"


def made(folder: Path) -> Path:
    folder.mkdir()
    return folder


async def exported(folder: Path, method: dict[str, Any], speed: float, kills: int, every: float) -> dict[str, Array]:
    """The columns of a run during which the daemon is killed so many times, about `every` s."""
    random = Random(kills)
    async with AsyncExitStack() as stack:
        town = Town(Road(folder, stack), stack)
        await town.start(cell_of(method), "--speed", f"{speed:g}", "--seed", _SEED)
        reply = await town.order("start", token=(await town.ready())["token"], method=method)
        assert reply["accepted"], reply
        for _ in range(kills):
            await asyncio.sleep(random.uniform(0.5, 1.5) * every)
            await town.kill()
            await town.serve()
        await town.until(lambda state: state["run"] is None and state["link"] == "up", 600.0)
        target = folder / "exported"
        code, _, err = await town.road.luggin(
            "export", reply["run"], "-o", str(target), "--store", str(town.road.store)
        )
        assert code == 0, err
        header, columns = read_package(target)[reply["run"]]
        del header
        return {name: column for name, column in columns.items() if name in COLUMNS}


async def assert_nothing_shows(folder: Path, method: dict[str, Any], speed: float, kills: int, every: float) -> int:
    """Killed or not, the same points; how many."""
    undisturbed, killed = await asyncio.gather(
        exported(made(folder / "calm"), method, speed, 0, every),
        exported(made(folder / "hurt"), method, speed, kills, every),
    )
    assert undisturbed.keys() == killed.keys()
    for name, column in undisturbed.items():
        np.testing.assert_array_equal(column, killed[name], err_msg=name)
    return len(undisturbed["time"])


@has_mosquitto
async def test_a_killed_voltammogram(tmp_path: Path) -> None:
    method = document.read(TECHNIQUES["cyclic-voltammetry"].example)
    assert await assert_nothing_shows(tmp_path, method, 8.0, 2, 0.7) == 2810


@has_mosquitto
@pytest.mark.long
@pytest.mark.timeout(900)
async def test_a_killed_day(tmp_path: Path) -> None:
    """One point a second for a day, 1500 times as fast as that; the dead-man timer stays in real time."""
    method = document.read(TECHNIQUES["amperometric-monitoring"].example)
    for phase in method["phases"]:
        if phase["phase"] == "measure":
            phase |= {"duration": "24 h", "period": "1 s"}
    assert await assert_nothing_shows(tmp_path, method, 1500.0, 12, 3.5) >= 86_400
