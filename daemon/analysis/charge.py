"""Charge and what it tells: efficiency, coverage, capacitance."""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import all_positive, pair
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, Measured, Result, measured, power_law
from luggin.daemon.analysis.faraday import amount
from luggin.daemon.analysis.regression import fit_line


class Charges(Result):
    """Charge in C: `anodic` >= 0, `cathodic` <= 0, and `net`, their sum."""

    net: float
    anodic: float
    cathodic: float


def charge(time: ArrayLike, current: ArrayLike, *, baseline: float = 0.0) -> Charges:
    """Integrate current (A) over time (s), both of shape (n,), by the trapezoidal rule.

    A constant `baseline` current is taken off first.  Intervals in which the current changes sign are split where
    it passes zero.  Raises AnalysisError for fewer than two points or a time that does not grow.
    """
    t, i = pair("time", time, "current", current, at_least=2)
    dt = np.diff(t)
    if np.any(dt <= 0):
        at = int(np.flatnonzero(dt <= 0)[0]) + 1
        raise AnalysisError(f"time[{at}] is {t[at]:.6g} s, not later than the point before; sort the points by time.")
    left, right = i[:-1] - baseline, i[1:] - baseline
    crossing = left * right < 0
    share = np.where(crossing, left / np.where(crossing, left - right, 1.0), 1.0)
    before = dt * share * np.where(crossing, left, left + right) / 2
    after = np.where(crossing, dt * (1 - share) * right / 2, 0.0)
    parts = np.concatenate([before, after])
    anodic, cathodic = float(parts[parts > 0].sum()), float(parts[parts < 0].sum())
    return Charges(net=anodic + cathodic, anodic=anodic, cathodic=cathodic)


def coulombic_efficiency(charges: Charges, *, recovered: Literal["anodic", "cathodic"]) -> float:
    """Charge recovered over charge put in, for a cycle whose recovered half is anodic (or cathodic)."""
    out, put = charges.anodic, -charges.cathodic
    if recovered == "cathodic":
        out, put = put, out
    if put == 0:
        raise AnalysisError("No charge was put in, so there is no efficiency.")
    return out / put


def surface_coverage(charge: float, electrons: float, area: Known, *, confidence: float = 0.95) -> Estimate:
    """Amount adsorbed per area in mol/m2, |Q| / (n F A); the uncertainty is that of the area."""
    size = measured("area", area)
    return power_law(
        amount(charge, electrons) / size.value, [(size, -1.0)], confidence, "Faraday's law, uncertainty of the area"
    )


def double_layer_capacitance(
    scan_rates: ArrayLike, charging_currents: ArrayLike, *, area: Known | None = None, confidence: float = 0.95
) -> Estimate:
    """Capacitance from charging current (A, half the width between forward and backward scan) against scan rate.

    In F, or F/m2 with an `area` in m2: the slope of |i| against v (V/s), both of shape (n,).
    Raises AnalysisError for fewer than three points.
    """
    v, i = pair("scan_rates", scan_rates, "charging_currents", charging_currents, at_least=3)
    all_positive("scan_rates", v)
    line = fit_line(v, np.abs(i), x_name="scan_rates", y_name="charging_currents")
    return _per_area(line.measured_slope, area, confidence, "slope of charging current against scan rate")


def galvanostatic_capacitance(
    time: ArrayLike, potential: ArrayLike, current: float, *, area: Known | None = None, confidence: float = 0.95
) -> Estimate:
    """Capacitance |i / (dE/dt)| of a charge or discharge at constant current (A), from the slope of E (V) with t (s).

    Leave the ohmic step at the start out.  In F, or F/m2 with an `area` in m2.
    """
    t, e = pair("time", time, "potential", potential, at_least=3)
    slope = fit_line(t, e, x_name="time", y_name="potential").measured_slope
    if slope.value == 0 or current == 0:
        raise AnalysisError("The potential or the current does not change anything; there is no capacitance.")
    inverse = Measured(
        abs(current / slope.value),
        abs(current / slope.value**2) * slope.standard_uncertainty,
        slope.degrees_of_freedom,
    )
    return _per_area(inverse, area, confidence, "constant current over slope of potential with time")


def _per_area(value: Measured, area: Known | None, confidence: float, method: str) -> Estimate:
    if value.value <= 0:
        raise AnalysisError("The charging current does not grow with the scan rate; there is no capacitance.")
    if area is None:
        return power_law(value.value, [(value, 1.0)], confidence, method)
    size = measured("area", area)
    return power_law(value.value / size.value, [(value, 1.0), (size, -1.0)], confidence, method + ", per area")
