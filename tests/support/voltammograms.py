"""Runs with invented voltammograms, in memory and in a store."""

from typing import Any

import numpy as np

from luggin.daemon.evaluation.run_data import RunData
from luggin.daemon.store import Store
from luggin.protocol import document, method, techniques
from luggin.protocol.payloads import Evaluation, RunHeader
from luggin.protocol.points import COLUMNS, Array, batch
from support.stored_runs import header, result

PEAK, HEIGHT = 0.35, 2e-6


def method_of(technique: str, **more: Any) -> dict[str, Any]:
    """The example of a technique as it is stored with a run."""
    given = document.read(techniques.TECHNIQUES[technique].example)
    return method.parse({**given, **more}).document()


def header_of(run: str, technique: str, **more: Any) -> RunHeader:
    return header(run).model_copy(update={"method": method_of(technique, **more)})


def pulse_columns(seed: int = 7, peak: float = PEAK, height: float = HEIGHT) -> dict[str, Array]:
    """One sweep with one peak as pulse techniques give it, on a slope, with noise; as measured by phase 2."""
    e = np.arange(-0.1, 0.8, 0.004)
    noise = 2e-9 * np.random.default_rng(seed).normal(size=e.size)
    return columns(e, height / np.cosh(19.5 * (e - peak)) ** 2 + 1e-7 * (e + 0.2) + noise)


def columns(potential: Array, current: Array, *, cycle: Array | None = None, phase: int = 1) -> dict[str, Array]:
    count = len(potential)
    values = {
        "time": np.arange(1, count + 1) * 0.04,
        "phase": np.full(count, phase),
        "cycle": np.ones(count) if cycle is None else cycle,
        "channel": np.ones(count),
        "applied_potential": potential,
        "potential": potential,
        "current": current,
        "current_range": np.full(count, 1e-5),
        "flags": np.zeros(count),
    }
    return {"index": np.arange(count), **{n: np.asarray(v, COLUMNS[n].dtype) for n, v in values.items()}}


def cyclic_columns(cycles: int, steps: int, seed: int = 3) -> dict[str, Array]:
    """A couple at 0.23 V with 60 mV between its peaks, bells on a slope; `steps` points a sweep."""
    one = np.concatenate((np.linspace(0.6, -0.2, steps), np.linspace(-0.2, 0.6, steps)[1:-1]))
    e = np.tile(one, cycles)
    down = np.tile(np.arange(one.size) < steps, cycles)
    bell = np.where(down, -1e-5, 1e-5) / np.cosh(12 * (e - np.where(down, 0.2, 0.26))) ** 2
    noise = 2e-8 * np.random.default_rng(seed).normal(size=e.size)
    cycle = np.repeat(np.arange(1, cycles + 1), one.size)
    return columns(e, bell + 1e-6 * e + noise, cycle=cycle)


def measured_phase(technique: str, **more: Any) -> int:
    phases = method_of(technique, **more)["phases"]
    return next(number for number, phase in enumerate(phases) if phase["phase"] == "measure")


def run_of(technique: str, columns: dict[str, Array], newest: Evaluation | None = None, **more: Any) -> RunData:
    """The columns as if the method's measuring phase had given them."""
    number = measured_phase(technique, **more)
    placed = {**columns, "phase": np.full(len(columns["index"]), number, "u1")}
    return RunData(header_of("run-1", technique, **more), placed, newest=lambda _: newest)


async def store_voltammogram(
    store: Store, run: str, technique: str, columns: dict[str, Array], *, finish: bool = True, **more: Any
) -> None:
    data = run_of(technique, columns, **more)
    await store.begin_run(header_of(run, technique, **more))
    points = {name: values for name, values in data.columns.items() if name != "index"}
    await store.put(batch(run, "boot-1", 0, points))
    if finish:
        await store.finish_run(result(run, len(columns["index"])))
