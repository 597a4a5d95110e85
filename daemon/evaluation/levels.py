"""The kind `levels`: mean, spread, last value and drift of what was measured, and the charge passed."""

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.integrate import trapezoid

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.level_settings import Levels
from luggin.protocol.points import Array, Flag

_UNITS = {"potential": "V", "current": "A"}


def find_levels(runs: Sequence[RunData], settings: Levels) -> Finding:
    """Of one run, in SI units: `potential.mean`, `.spread` (standard deviation), `.last`, `.drift` (slope, per s), the
    same of `current`, and `charge` (C, by the trapezoidal rule, also across points that are lost or not fit, which is
    said).  Raises EvaluationError where no point is fit."""
    (run,) = runs
    measured = run.measured
    time = np.asarray(measured.get("time", ()), dtype=float)
    if not len(time):
        raise EvaluationError(f"run {run.run} has no points in its measuring phase; there is nothing to compute")
    late = np.ones(len(time), dtype=bool) if settings.last is None else time >= time[-1] - settings.last
    # At open circuit the potential is what is measured, and the current is none.
    settled = (np.asarray(measured.get("flags", np.zeros(len(time))), dtype=int) & int(Flag.SETTLING)) == 0
    fit = {"potential": settled & late, "current": run.fit & late}
    quantities: dict[str, float] = {}
    units: dict[str, str] = {}
    for name, unit in _UNITS.items():
        if name in measured:
            values, chosen = np.asarray(measured[name], dtype=float), fit[name]
            chosen = chosen & np.isfinite(values)
            for word, value in _levels(time[chosen], values[chosen]).items():
                quantities[f"{name}.{word}"] = value
                units[f"{name}.{word}"] = f"{unit}/s" if word == "drift" else unit
    if not quantities:
        raise EvaluationError(f"run {run.run} has no point that is fit to be evaluated; look at its flags")
    current = np.asarray(measured["current"], dtype=float) if "current" in measured else np.empty(0)
    flowing = run.fit & np.isfinite(current) if len(current) else np.zeros(0, dtype=bool)
    if flowing.sum() > 1:
        quantities["charge"], units["charge"] = float(trapezoid(current[flowing], time[flowing])), "C"
    body = {"quantities": quantities, "units": units, "points": int(late.sum()), "from": float(time[late][0])}
    return Finding({**body, "to": float(time[-1])}, tuple(_doubts(run)))


def _doubts(run: RunData) -> Iterator[str]:
    flags = np.asarray(run.measured.get("flags", ()), dtype=int)
    overloaded = int(((flags & int(Flag.CURRENT_OVERLOAD | Flag.CONTROL_OVERLOAD)) != 0).sum())
    if overloaded:
        yield f"{overloaded} of {len(flags)} points were overloaded: they do not count, and the charge bridges them"
    if run.result is not None and run.result.gaps:
        yield "points of the run are lost, and the charge bridges the gap"


def _levels(time: Array, values: Array) -> dict[str, float]:
    if not len(values):
        return {}
    found = {"mean": float(values.mean()), "last": float(values[-1])}
    if len(values) > 2:
        found["spread"] = float(values.std(ddof=1))
        away = time - time.mean()
        found["drift"] = float((away * (values - values.mean())).sum() / (away**2).sum())
    return found
