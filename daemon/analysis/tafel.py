"""Tafel slopes: one branch as a line, or both branches of a mixed potential at once."""

import math
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, pair
from luggin.daemon.analysis.corrosion import corrosion_potential
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Result, student, symmetric
from luggin.daemon.analysis.faraday import thermal_voltage
from luggin.daemon.analysis.least_squares import solve
from luggin.daemon.analysis.regression import Line, fit_line
from luggin.daemon.analysis.transport import one_sign

_LN10 = math.log(10)
_STEEPEST, _FLATTEST = 0.005, 10.0  # V/decade
_FARTHEST = 100.0  # decades


class TafelLine(Result):
    """`slope` in V/decade, positive for the anodic and negative for the cathodic branch.

    `line` is that of log10 |i| (A) against E (V); `transfer_coefficient` is ln 10 RT / (F |slope|).
    """

    slope: Estimate
    transfer_coefficient: float
    line: Line
    decades: float


class MixedPotential(Result):
    """Corrosion potential (V), corrosion current (A) and the magnitudes of both Tafel slopes (V/decade)."""

    corrosion_potential: Estimate
    corrosion_current: Estimate
    anodic_slope: Estimate
    cathodic_slope: Estimate
    relative_residual: float


def tafel_line(
    potential: ArrayLike,
    current: ArrayLike,
    *,
    window: tuple[float, float] | None = None,
    temperature: float = 298.15,
    confidence: float = 0.95,
) -> TafelLine:
    """Fit log10 |i| against E, arrays of shape (n,), within `window` (V), on one branch.

    The branch must be free of ohmic drop and mass transport, and far enough (about 0.1 V) from equilibrium for the
    reverse reaction not to count; ASTM G3 asks for a decade of current, and a warning says when there is less.
    """
    e, i = pair("potential", potential, "current", current, at_least=3)
    if window is not None:
        low, high = min(window), max(window)
        inside = (e >= low) & (e <= high)
        if np.count_nonzero(inside) < 3:
            raise AnalysisError(
                f"Only {np.count_nonzero(inside)} points lie between {low:.4g} and {high:.4g} V; at least 3 are needed."
            )
        e, i = e[inside], i[inside]
    log = np.log10(one_sign("current", i))
    line = fit_line(e, log, x_name="potential", y_name="log |current|")
    if line.slope * float(np.sign(i[0])) <= 0:
        raise AnalysisError("The current falls as the potential leaves equilibrium, so this is no Tafel branch.")
    decades = float(np.ptp(log))
    warnings = () if decades >= 1 else (f"The branch covers only {decades:.2g} decades of current; one is usual.",)
    slope = 1 / line.slope
    return TafelLine(
        slope=symmetric(
            slope,
            abs(slope) * (line.slope_sd or 0.0) / abs(line.slope),
            line.degrees_of_freedom,
            confidence,
            "log |i| against E, Student's t",
            warnings,
        ),
        transfer_coefficient=_LN10 * thermal_voltage(temperature) / abs(slope),
        line=line,
        decades=decades,
    )


def extrapolated_current(branch: TafelLine, potential: float, *, confidence: float = 0.95) -> Estimate:
    """Magnitude of the current (A) where a Tafel line reaches `potential`: exchange or corrosion current (ASTM G3).

    The interval is that of the line, taken in the logarithm and therefore not symmetric.
    """
    line = branch.line
    log = line.intercept + line.slope * potential
    if abs(log) > _FARTHEST:
        raise AnalysisError(f"{potential:.4g} V is too far from the branch to extrapolate the current there.")
    value = 10**log
    if line.residual_sd is None:
        return Estimate(value=value, confidence=confidence, method="none: the line has no degree of freedom left")
    sd = line.residual_sd * math.sqrt(1 / line.points + (potential - line.x_mean) ** 2 / line.sxx)
    half = min(student(confidence, line.degrees_of_freedom) * sd, _FARTHEST)
    return Estimate(
        value=value,
        standard_uncertainty=value * _LN10 * sd,
        degrees_of_freedom=line.degrees_of_freedom,
        lower=10 ** (log - half),
        upper=10 ** (log + half),
        confidence=confidence,
        method="Tafel extrapolation, interval of the logarithm",
    )


def mixed_potential(
    potential: ArrayLike, current: ArrayLike, *, window: float = 0.25, confidence: float = 0.95
) -> MixedPotential:
    """Fit i = i_corr (10^((E - E_corr)/ba) - 10^(-(E - E_corr)/bc)) within `window` (V) of the corrosion potential.

    Wagner & Traud 1938, as in ASTM G102.  Least squares with the logarithms of i_corr, ba and bc as parameters; the
    scatter is taken as proportional to the current far from the corrosion potential and constant close to it.
    Potentials must be free of ohmic drop.  Raises AnalysisError for fewer than eight points or one branch only.
    """
    e, i = pair("potential", potential, "current", current, at_least=8)
    zero = corrosion_potential(e, i)
    near = np.abs(e - zero) <= window
    e, i = e[near], i[near]
    if e.size < 8 or not (np.any(i > 0) and np.any(i < 0)):
        raise AnalysisError(
            f"{e.size} points lie within {window:.3g} V of the corrosion potential; "
            "at least 8 on both branches are needed."
        )
    typical = math.log(float(np.median(np.abs(i[i != 0]))))
    start = np.array([zero, typical, math.log(0.1), math.log(0.1)])
    lower = np.array([e.min() - 1e-9, typical - 40, *np.log([_STEEPEST] * 2)])
    upper = np.array([e.max() + 1e-9, typical + 40, *np.log([_FLATTEST] * 2)])
    for _ in range(2):  # the scatter close to zero current is that of the corrosion current, known after a first fit
        scatter = np.hypot(i, math.exp(float(start[1])))
        residuals = partial(_misfit, e=e, i=i, scale=scatter)
        fit = solve(residuals, start, bounds=(lower, upper), scale=[0.01, 1, 1, 1], evaluations=500)
        start = fit.parameters
    at_bound = np.any((fit.parameters[2:] < lower[2:] + 1e-3) | (fit.parameters[2:] > upper[2:] - 1e-3))
    if not fit.converged or fit.covariance is None or at_bound:
        raise AnalysisError("The data do not determine both Tafel slopes; widen the range on both branches.")
    dof, sd = fit.degrees_of_freedom, np.sqrt(np.diag(fit.covariance))
    method = "two-branch least squares, Student's t"
    logs = [
        _from_log(float(p), float(s), dof, confidence, method) for p, s in zip(fit.parameters[1:], sd[1:], strict=True)
    ]
    return MixedPotential(
        corrosion_potential=symmetric(float(fit.parameters[0]), float(sd[0]), dof, confidence, method),
        corrosion_current=logs[0],
        anodic_slope=logs[1],
        cathodic_slope=logs[2],
        relative_residual=math.sqrt(fit.squares / dof),
    )


def _misfit(parameters: Floats, e: Floats, i: Floats, scale: Floats) -> Floats:
    zero, log_current, log_anodic, log_cathodic = parameters
    x = (e - zero) * _LN10
    anodic = np.exp(np.clip(x / np.exp(log_anodic), -100, 100))
    cathodic = np.exp(np.clip(-x / np.exp(log_cathodic), -100, 100))
    return np.asarray((np.exp(log_current) * (anodic - cathodic) - i) / scale)


def _from_log(log: float, sd: float, dof: int, confidence: float, method: str) -> Estimate:
    half = min(student(confidence, dof) * sd, _FARTHEST * _LN10)
    return Estimate(
        value=math.exp(log),
        standard_uncertainty=math.exp(log) * sd,
        degrees_of_freedom=dof,
        lower=math.exp(log - half),
        upper=math.exp(log + half),
        confidence=confidence,
        method=method + ", interval of the logarithm",
    )
