"""Runs to put into a store: an invented sweep, points whose values tell their index, headers and results."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from luggin.protocol.instrument import Cell
from luggin.protocol.payloads import RunHeader, RunResult
from luggin.protocol.points import COLUMNS, Batch
from luggin.protocol.points import batch as make_batch

SWEEP = ("time", "phase", "cycle", "channel", "applied_potential", "potential", "current", "current_range", "flags")


def sweep(run: str, first: int, count: int, boot: str = "boot-1", columns: Iterable[str] = SWEEP) -> Batch:
    """Points that depend on their index alone, so that they can be cut in any way and compared."""
    index = np.arange(first, first + count)
    time = (index + 1) / 50
    potential = -0.2 + 0.1 * time
    values: dict[str, Any] = {
        "time": time,
        "phase": index // 1000,
        "cycle": index // 500 + 1,
        "channel": np.ones(count),
        "applied_potential": potential,
        "potential": potential + 1e-4 * np.sin(index),
        "current": 1e-6 * np.exp(-(((potential % 1.0) - 0.4) ** 2) / 0.01) + 1e-9 * np.cos(7 * index),
        "current_range": np.full(count, 1e-5),
        "flags": np.where(index % 97 == 0, 1, 0),
    }
    return make_batch(run, boot, first, {name: values[name] for name in columns})


def header(run: str, instrument: str = "bench-1", points: int = 10_000, columns: Iterable[str] = SWEEP) -> RunHeader:
    return RunHeader(
        node="column-lab",
        instrument=instrument,
        run=run,
        method={
            "version": 1,
            "name": "paracetamol-sweep",
            "technique": "linear-sweep-voltammetry",
            "setup": {
                "reference": "Ag/AgCl (3 M KCl)",
                "electrode": "glassy carbon",
                "sample": "column outlet, invented",
            },
        },
        program={"version": 1, "technique": "linear-sweep-voltammetry"},
        bounds={"points": points, "duration": points / 50},
        identity={"maker": "none", "model": "invented", "serial": "1", "firmware": "0.1"},
        boot="boot-1",
        settings={"driver": "invented"},
        software="luggin 0.1.0",
        asked_by="analyst",
        verified=True,
        columns={name: COLUMNS[name].unit for name in columns},
        utc=1_790_000_000.25,
    )


def result(run: str, points: int, gaps: Iterable[tuple[int, int]] = ()) -> RunResult:
    return RunResult(
        run=run,
        state="Complete",
        outcome="completed",
        sentence="the program came to its end",
        points=points,
        gaps=list(gaps),
        cell=Cell.OFF,
        flagged=False,
        utc=1_790_000_600.5,
    )


def same(left: Batch, right: Batch) -> bool:
    """Whether two batches are the same points to the last bit, NaN included."""
    return (
        (left.run, left.first, left.count, list(left.columns))
        == (right.run, right.first, right.count, list(right.columns))
        and all(left.columns[name].dtype == right.columns[name].dtype for name in left.columns)
        and all(left.columns[name].tobytes() == right.columns[name].tobytes() for name in left.columns)
    )
