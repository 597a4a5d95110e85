"""A dummy cell as the runs of a qualification saw it: offset, noise and resistance by range, and the parts."""

import math
from collections.abc import Iterator, Sequence

import numpy as np
from scipy.integrate import trapezoid

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate
from luggin.daemon.analysis.impedance_fit import fit_circuit
from luggin.daemon.analysis.regression import fit_line
from luggin.daemon.evaluation.run_data import UNFIT, Columns, RunData
from luggin.protocol.fitness.dummy import DummyCell
from luggin.protocol.fitness.dummy_routine import range_word
from luggin.protocol.fitness.results import Item, item
from luggin.protocol.points import Array, Flag

_SETTLED_AFTER = 1 / 3
"""Share of a hold, and of a sweep a tenth, after which the cell is steady."""
_SWEPT_AFTER = 0.1
_FEWEST = 10


def on_dummy(runs: Sequence[RunData], cell: DummyCell) -> tuple[list[Item], tuple[str, ...]]:
    """The items, and sentences on what makes them doubtful.  Runs that belong to no qualification are passed over."""
    items: list[Item] = []
    notes: list[str] = []
    for run in runs:
        name = str(run.header.method.get("name", ""))
        fixed = run.header.method.get("ranging", {}).get("fixed")
        if name.startswith("range-") and fixed:
            items += _of_range(run, cell, float(fixed))
        elif name == "spectrum":
            found, doubts = _of_spectrum(run, cell)
            items += found
            notes += doubts
        elif name == "step":
            items += _of_step(run, cell)
    return items, tuple(notes)


def _of_range(run: RunData, cell: DummyCell, full_scale: float) -> Iterator[Item]:
    word = range_word(full_scale)
    held = run.measured if run.technique == "chronoamperometry" else _phase(run, 0)
    current = _fit(held, "current")[round(len(held["index"]) * _SETTLED_AFTER) :]
    current = current[np.isfinite(current)]
    enough = len(current) >= _FEWEST
    note = "" if enough else f"only {len(current)} points at 0 V are fit to be evaluated"
    noise = float(current.std(ddof=1)) if enough else None
    most = cell.most_offset(full_scale)
    offset, u = (
        (float(current.mean()), float(current.std(ddof=1) / math.sqrt(len(current)))) if enough else (None, None)
    )
    yield item(f"offset.{word}", offset, -most, most, "A", run.run, u=u, note=note)
    yield item(f"noise.{word}", noise, None, cell.most_noise(full_scale), "A", run.run, note=note)
    if run.technique == "linear-sweep-voltammetry" and cell.resistance is not None:
        yield _resistance(run, cell, f"resistance.{word}", cell.resistance)


def _resistance(run: RunData, cell: DummyCell, name: str, stated: float) -> Item:
    """From the slope of the current over the measured potential."""
    share = cell.share(name)
    low, high = stated * (1 - share), stated * (1 + share)
    columns = run.measured
    potential = columns["potential" if "potential" in columns else "applied_potential"].astype(float)
    fit = run.fit & np.isfinite(columns["current"]) & np.isfinite(potential)
    fit[: round(len(fit) * _SWEPT_AFTER)] = False
    if fit.sum() < _FEWEST:
        overload = (columns["flags"] & int(Flag.CURRENT_OVERLOAD)).any() if "flags" in columns else False
        why = "the current is beyond the range: a smaller resistance, or a short" if overload else "too few points"
        return item(name, None, low, high, "ohm", run.run, note=why)
    line = fit_line(potential[fit], columns["current"][fit].astype(float), x_name="potential", y_name="current")
    if line.slope <= 0:
        return item(name, None, low, high, "ohm", run.run, note="the current does not grow with the potential")
    value = 1 / line.slope
    return item(name, value, low, high, "ohm", run.run, u=value * (line.slope_sd or 0.0) / line.slope)


def _of_spectrum(run: RunData, cell: DummyCell) -> tuple[list[Item], list[str]]:
    columns, fit = run.measured, run.fit
    z = columns["impedance_real"].astype(float) + 1j * columns["impedance_imaginary"].astype(float)
    fit = fit & np.isfinite(z)
    parts = {"resistance": ("ohm", cell.resistance)} if cell.circuit == "R" else cell.parts
    try:
        fitted = fit_circuit(columns["frequency"][fit].astype(float), z[fit], cell.circuit)
    except AnalysisError as error:
        found = [
            _part(cell, name, unit, value or 0.0, None, run.run, str(error)) for name, (unit, value) in parts.items()
        ]
        return found, []
    estimates = [parameter.estimate for parameter in fitted.parameters]
    found = [
        _part(cell, name, unit, value or 0.0, estimate, run.run)
        for (name, (unit, value)), estimate in zip(parts.items(), estimates, strict=True)
    ]
    return found, [f"spectrum: {warning}" for warning in fitted.warnings]


def _part(
    cell: DummyCell, name: str, unit: str, stated: float, found: Estimate | None, run: str, note: str = ""
) -> Item:
    share = cell.share(name)
    value, u = (None, None) if found is None else (found.value, found.standard_uncertainty)
    return item(name, value, stated * (1 - share), stated * (1 + share), unit, run, u=u, note=note)


def _of_step(run: RunData, cell: DummyCell) -> Iterator[Item]:
    """The capacitance, from the charge on top of the steady current.

    After a step E across Rs + (Rp || C) the current is E / (Rs + Rp) and on top of it a decay whose whole charge is
    E C (Rp / (Rs + Rp))^2; without Rp it is E C.
    """
    assert cell.capacitance is not None
    columns = run.measured
    time, current = columns["time"].astype(float), columns["current"].astype(float)
    level = float(np.nanmean(columns["potential"][len(time) // 2 :]))
    fit = np.isfinite(current) & (
        ((columns["flags"] & int(UNFIT & ~Flag.SETTLING)) == 0) if "flags" in columns else True
    )
    share = cell.share("capacitance")
    bounds = cell.capacitance * (1 - share), cell.capacitance * (1 + share)
    if fit.sum() < _FEWEST or not level:
        yield item(
            "capacitance", None, *bounds, "F", run.run, note="too few points of the step are fit to be evaluated"
        )
        return
    began = float(run.columns["time"][run.columns["phase"] == 0][-1])
    steady = float(np.median(current[fit][-max(3, int(fit.sum()) // 5) :]))
    above, when = current[fit] - steady, time[fit] - began
    # Before the first sample: back along the decay that the first samples show.
    head = above[:8] * np.sign(level) > 0
    line = fit_line(when[:8][head], np.log(np.abs(above[:8][head]))) if head.sum() >= 4 else None
    lead = 0.0
    if line is not None and line.slope < 0:
        lead = math.copysign(math.exp(line.intercept), level) * (1 - math.exp(line.slope * when[0])) / -line.slope
    charge = lead + float(trapezoid(above, when))
    series, parallel = cell.series_resistance or 0.0, cell.parallel_resistance
    divider = 1.0 if parallel is None else parallel / (series + parallel)
    yield item("capacitance", charge / (level * divider**2), *bounds, "F", run.run)


def _phase(run: RunData, number: int) -> Columns:
    if "phase" not in run.columns:
        return {name: values[:0] for name, values in run.columns.items()}
    wanted = run.columns["phase"] == number
    return {name: values[wanted] for name, values in run.columns.items()}


def _fit(columns: Columns, name: str) -> Array:
    """A column, NaN where a point is not fit to be evaluated."""
    values = columns[name].astype(float)
    if "flags" in columns:
        values[(columns["flags"] & int(UNFIT)) != 0] = np.nan
    return values
