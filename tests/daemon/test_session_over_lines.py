"""The session with the simulated instrument over every line: the same points, none lost, whatever the line does."""

import asyncio
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from luggin.daemon.settings import InstrumentSettings, Intervals
from luggin.protocol.instrument import Outcome
from luggin.protocol.payloads import Health
from luggin.protocol.points import Array
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import Shell
from support.attended import REFERENCE, attended
from support.lines import LINES, simulated_over
from support.radio import driver, peripheral, radio

pytestmark = pytest.mark.long

INTERVALS = Intervals(connect=5.0, reconnect=(0.01, 0.05), poll_running=0.1, poll_idle=0.1, silence=1.0, cell_off=1.0)
SETTINGS = InstrumentSettings(reference=REFERENCE)
METHOD: dict[str, Any] = {
    "version": 1,
    "name": "column-outlet",
    "technique": "cyclic-voltammetry",
    "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
    "phases": [
        {
            "phase": "measure",
            "initial_potential": "0.6 V",
            "first_switching_potential": "-0.1 V",
            "second_switching_potential": "0.6 V",
            "scan_rate": "100 mV/s",
            "step": "4 mV",
            "cycles": 1,
        }
    ],
    "dead_man": {"timeout": 2.0},
}


async def curve(line: str, folder: Path, *faults: str, mtu: int = 247) -> dict[str, Array]:
    """What is stored of one run of the method over this line; the run must have completed without a gap."""
    folder.mkdir()  # noqa: ASYNC240 (a moment)
    simulated = simulated_over(line, folder, *faults, mtu=mtu, cell="redox-probe", seed=11, speed=20.0)
    async with simulated as reached, attended(folder, reached, settings=SETTINGS, intervals=INTERVALS) as bench:
        await bench.ready()
        run = await bench.start(METHOD)
        await bench.until(lambda each: each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert (result.state, result.gaps) == ("Complete", []), line
        batches = await bench.store.points(run, limit=10**6)
        return {name: np.concatenate([batch.columns[name] for batch in batches]) for name in batches[0].columns}


async def curves(folder: Path, *faults: str) -> dict[str, dict[str, Array]]:
    """Over all lines at once, to save time.

    Faults in memory are tried in test_session_simulated.  A radio carries packets, not single bytes: there a small
    ATT_MTU stands for crumbs, see below.
    """
    out = ("memory", "ble") if faults == ("crumbs",) else ("memory",) if faults else ()
    lines = [line for line in LINES if line not in out]
    async with asyncio.TaskGroup() as group:
        tasks = {line: group.create_task(curve(line, folder / line, *faults), name=line) for line in lines}
    return {line: task.result() for line, task in tasks.items()}


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Array]:
    return asyncio.run(curve("memory", tmp_path_factory.mktemp("undisturbed") / "memory"))


def assert_the_same(found: dict[str, Array], expected: dict[str, Array], line: str) -> None:
    assert found.keys() == expected.keys()
    for name, column in expected.items():
        assert found[name].tobytes() == column.tobytes(), (line, name)


@pytest.mark.parametrize("fault", ["", "crumbs", "drop@5", "stall=0.5@5", "loss=0.03", "garble=0.0003", "delay=0.01"])
async def test_the_curve_is_the_same_over_every_line(fault: str, tmp_path: Path, undisturbed: dict[str, Array]) -> None:
    assert len(undisturbed["potential"]) > 300
    for line, found in (await curves(tmp_path, *filter(None, [fault]))).items():
        assert_the_same(found, undisturbed, line)


@pytest.mark.skipif("ble" not in LINES, reason="dbus-daemon is missing")
async def test_the_curve_is_the_same_in_pieces_of_twenty_bytes(tmp_path: Path, undisturbed: dict[str, Array]) -> None:
    assert_the_same(await curve("ble", tmp_path / "ble", mtu=23), undisturbed, "ble with the smallest ATT_MTU")


@pytest.mark.skipif("ble" not in LINES, reason="dbus-daemon is missing")
async def test_out_of_range_for_too_long_ends_as_the_dead_man_timer_says(tmp_path: Path) -> None:
    async with radio() as bluez:
        rig = Rig(Settings.parse({"cell": "redox-probe"}), asyncio.get_running_loop().time())
        shell = Shell(rig)
        working = asyncio.create_task(shell.work())
        async with (
            peripheral(shell),
            attended(tmp_path, driver(), settings=SETTINGS, intervals=INTERVALS) as bench,
        ):
            await bench.ready()
            run = await bench.start({**METHOD, "dead_man": {"timeout": 0.5}})
            bluez.absent = True
            await bluez.drop()
            await bench.until(lambda each: each.state == "Aborting" and each.cell == "unknown")
            bluez.absent = False
            state = await bench.until(lambda each: each.state == "Aborted" and each.run is None)
            assert state.cell == "off"
            result = await bench.store.result(run)
            assert result is not None
            assert (result.outcome, result.gaps) == ("no-contact", [])
            assert rig.firmware.device.status(asyncio.get_running_loop().time()).outcome is Outcome.DEAD_MAN
            health = bench.board.entries["luggin/lab/left/health"]
            assert isinstance(health, Health)
            assert health.signal_strength in (-61.0, -62.0)
        working.cancel()
        await asyncio.gather(working, return_exceptions=True)
