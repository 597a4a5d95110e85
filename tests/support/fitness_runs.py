"""Runs of qualifications and looks at the cell, from closed forms of ideal cells."""

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol import method
from luggin.protocol.fitness.dummy import DUMMY_CELLS, DummyCell
from luggin.protocol.fitness.dummy_routine import Place, dummy_routine
from luggin.protocol.points import Array, Flag
from luggin.sim.models import MODELS
from support.stored_runs import header, result

PLACE = Place("Ag/AgCl (3 M KCl)", "gc-3", 7.0686e-6)
R_RC = DUMMY_CELLS["dummy-r-rc"]
BENCH = MODELS["bench"].capability("1")


def run_data(
    document: dict[str, Any], columns: dict[str, Array], outcome: str = "completed", name: str = "run-1"
) -> RunData:
    made = header(name).model_copy(update={"method": method.parse(document).document()})
    count = len(columns["time"])
    given = {"index": np.arange(count), "flags": np.zeros(count, dtype=int), **columns}
    return RunData(made, given, result(name, count).model_copy(update={"outcome": outcome}))


def impedance_of(cell: DummyCell, frequency: Array) -> Array:
    """Rs + (Rp || C): of ideal components, closed form."""
    branch = 1 / (cell.parallel_resistance or np.inf) + 2j * np.pi * frequency * (cell.capacitance or 0.0)
    return np.asarray((cell.series_resistance or 0.0) + 1 / branch)


def dummy_runs(cell: DummyCell, stands: DummyCell, noise: float = 1e-5, offset: float = 0.0) -> list[RunData]:
    """The runs of the routine for `cell` while `stands` is in its place; noise and offset as shares of the range."""
    random = np.random.default_rng(11)
    runs = []
    for name, document in dummy_routine(BENCH, cell, PLACE).document["methods"].items():
        if name == "spectrum":
            frequency = np.geomspace(5000.0, 1.6, 30)
            z = impedance_of(stands, frequency)
            columns = spectrum_columns(frequency, z)
        else:
            scale, sweep = document["ranging"]["fixed"], document["phases"][-1]
            held, swept = (
                np.zeros(150),
                np.linspace(sweep.get("initial_potential", 0.0), sweep.get("final_potential", 0.0), 200),
            )
            potential = np.concatenate((held, swept)) if len(document["phases"]) > 1 else held
            phase = np.concatenate((np.zeros(150), np.ones(200))) if len(document["phases"]) > 1 else np.zeros(150)
            current = potential / (stands.resistance or np.inf) + scale * (
                offset + noise * random.normal(size=potential.size)
            )
            flags = np.where(np.abs(current) > scale * 1.05, int(Flag.CURRENT_OVERLOAD), 0)
            columns = {
                "time": np.arange(1, potential.size + 1) * 0.02,
                "phase": phase,
                "potential": potential,
                "current": current,
                "flags": flags,
            }
        runs.append(run_data(document, columns, name=f"run-{name}"))
    return runs


def spectrum_columns(frequency: Array, z: Array, phase: int = 1) -> dict[str, Array]:
    count = len(frequency)
    return {
        "time": np.arange(1, count + 1) * 0.1,
        "phase": np.full(count, phase),
        "frequency": frequency,
        "impedance_real": z.real,
        "impedance_imaginary": z.imag,
    }


def probe_cell(**couple: str) -> dict[str, Any]:
    """The shipped redox probe as a table, its couple changed."""
    path = Path(str(files("luggin.sim.cell") / "cells" / "redox-probe.toml"))
    cell = tomllib.loads(path.read_text())
    cell["couples"][0] |= couple
    return cell
