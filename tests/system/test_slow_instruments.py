"""Instruments that only set and read, through the whole road: simulated source-measure units, each in a process of its
own on a serial line or on TCP, `luggin serve`, the command line, the table of a data package.

The host times them, so their curves are compared twice: with the theory, within what their pace allows, and with the
same steps taken exactly on time.
"""

import asyncio
import json
import tomllib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_asyncio
from numpy.typing import NDArray
from scipy.constants import R

from luggin.daemon.export import read_package
from luggin.protocol.points import Flag
from luggin.protocol.techniques import TECHNIQUES
from luggin.sim.cell.load import load_cell
from support.road import LUGGIN, REFERENCE, Road, line, walked
from support.theory import CELL, F, T

pytestmark = pytest.mark.long

METHOD = """
version = 1
name = "slow"
technique = "{technique}"

[setup]
reference = "{reference}"

[ranging]
fixed = "1 mA"

[[phases]]
phase = "measure"
{measure}
"""
SWEEP = """
initial_potential = "-0.1 V"
first_switching_potential = "0.1 V"
second_switching_potential = "-0.1 V"
scan_rate = "{rate} mV/s"
step = "5 mV"
"""
STEP = 'potential = "0.3 V"\nduration = "2 s"\nperiod = "0.1 s"'
UNIT = {
    "driver": "scpi",
    "reference": REFERENCE,
    "off_state": "high-impedance",
    "potential_low": "-1 V",
    "potential_high": "1 V",
    "current_ranges": ["10 uA", "1 mA", "100 mA"],
    "current_compliance": "20 mA",
    "voltage_compliance": "5 V",
    "fastest_period": "20 ms",
}
RATE, EDGE = 0.1, 0.1  # V/s, V; between two points (5 mV, 50 ms) there are two stairs of at least 20 ms
TICK = 2e-3  # s of the simulated unit


@pytest_asyncio.fixture
async def road(tmp_path: Path) -> AsyncIterator[Road]:
    (tmp_path / "cell.toml").write_text(CELL)
    async with walked(tmp_path) as found:
        simulate = (*LUGGIN, "simulate", "--model", "smu", "--ideal", "--cell", str(tmp_path / "cell.toml"))
        serial, other, tcp = await asyncio.gather(
            found.start(*simulate, "--pty", str(tmp_path / "unit")),
            found.start(*simulate, "--pty", str(tmp_path / "other")),
            found.start(*simulate, "--tcp", "0"),
        )
        for unit in (serial, other):
            assert (await line(unit)).startswith("pty ")
        _, host, port = (await line(tcp)).split()
        consent = {"without_dead_man": True}
        await found.serve(
            {
                "serial": {**UNIT, **consent, "port": str(tmp_path / "unit"), "baud_rate": 115200},
                "network": {**UNIT, **consent, "host": host, "tcp_port": int(port)},
                "attended": {**UNIT, "port": str(tmp_path / "other"), "baud_rate": 115200},
            }
        )
        yield found


def document(road: Road, technique: str, measure: str) -> Path:
    path = road.folder / f"{technique}-{abs(hash(measure))}.toml"
    path.write_text(METHOD.format(technique=technique, reference=REFERENCE, measure=measure))
    return path


async def measured(road: Road, instrument: str, technique: str, measure: str) -> dict[str, NDArray[Any]]:
    await road.until(instrument, state="Idle", cell="off", link="up")
    result = await road.told("run", str(document(road, technique, measure)), "-i", instrument)
    assert result["state"] == "Complete", json.dumps(result)
    folder = road.folder / f"data-{result['run']}"
    code, _, err = await road.luggin("export", result["run"], "-o", str(folder), "--store", str(road.store))
    assert code == 0, err
    return read_package(folder)[result["run"]][1]


async def test_slow_methods_on_both_lines_and_what_is_refused(road: Road) -> None:
    sweep, step, _ = await asyncio.gather(
        measured(road, "serial", "cyclic-voltammetry", SWEEP.format(rate=100)),
        measured(road, "network", "chronoamperometry", STEP),
        refused(road),
    )
    for columns in (sweep, step):
        assert (columns["flags"] == Flag.HOST_TIME).all()
    _check_step(step)
    _check_sweep(sweep)


def _check_step(columns: dict[str, NDArray[Any]]) -> None:
    """Cottrell: i = n F A c sqrt(D / (pi t)).  A reading was taken between the moment at which it was planned and
    twice its lateness after that; the step began up to an exchange (50 ms are allowed) before the clock."""
    time, current = columns["time"].astype(float), columns["current"].astype(float)
    late = time - 0.1 * np.arange(1, len(time) + 1)
    assert len(time) == 20
    assert (late > 0).all()
    early, latest = time - late - TICK, time + late + 0.05
    assert (current >= _cottrell(latest) * 0.999).all()
    assert (current <= _cottrell(early) * 1.001).all()


def _cottrell(time: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(F * 1e-4 * 1.0 * np.sqrt(1e-9 / (np.pi * time)))


def _check_sweep(columns: dict[str, NDArray[Any]]) -> None:
    """Stairs of 2.5 mV that are read at their end give 10 % less than a true sweep (0.4463 in the current function,
    Nicholson & Shain, Anal. Chem. 36 (1964) 706, from memory), and a host that is held up gives less still, but never
    more.  Against stairs that change when the points say so what is left is the pace of the line."""
    potential, current = columns["applied_potential"].astype(float), columns["current"].astype(float)
    assert len(potential) == 2 * round(2 * EDGE / 5e-3)
    true = 0.4463 * F * 1e-4 * 1.0 * np.sqrt(1e-9 * F * RATE / (R * T))
    assert 0.4 < current.max() / true < 1.05
    expected = _stairs(columns["time"].astype(float), potential)
    assert np.median(np.abs(current - expected)) < 0.07 * expected.max()


def _stairs(time: NDArray[np.float64], potential: NDArray[np.float64]) -> NDArray[np.float64]:
    """The current (A) of the cell model at each point, read at the end of the second of two stairs of equal length."""
    split = 12
    step = np.diff(potential, prepend=-EDGE)
    levels = np.repeat(np.stack([potential - step / 2, potential], axis=1).ravel(), split)
    dt = np.repeat(np.diff(time, prepend=0.0) / (2 * split), 2 * split)
    response = load_cell(tomllib.loads(CELL)).potential_control(dt, levels, levels)
    return response.current[2 * split - 1 :: 2 * split]


async def refused(road: Road) -> None:
    """What the host is too slow for, each with its reason; and all of it without consent to the missing timer."""
    fast = document(road, "cyclic-voltammetry", SWEEP.format(rate=1000))
    step = document(road, "chronoamperometry", STEP)
    pulses, sines = (example(road, name) for name in ("square-wave-voltammetry", "impedance-spectroscopy"))
    reasons = {
        fast: "steeper than the instrument sweeps",
        pulses: "can't execute this kind of segment",
        sines: "can't execute this kind of segment",
        step: "without_dead_man = true",
    }
    await road.until("attended", state="Idle", cell="off", link="up")
    for method, told in reasons.items():
        code, _, err = await road.luggin("run", str(method), "-i", "attended")
        assert code != 0
        assert told in err
    await road.until("attended", state="Idle", cell="off")


def example(road: Road, technique: str) -> Path:
    path = road.folder / f"{technique}.toml"
    path.write_text(TECHNIQUES[technique].example)
    return path
