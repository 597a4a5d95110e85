"""Limits of decision, detection and quantification; each result names the definition it follows.

The definitions differ by more than a factor of two on the same data, so a limit without its definition says
little.
"""

import math
from typing import Literal

from numpy.typing import ArrayLike
from scipy import optimize, stats

from luggin.daemon.analysis.arrays import floats, positive
from luggin.daemon.analysis.errors import AnalysisError
from luggin.protocol.evaluation.statistics import Limits, Line

_ROUNDING = 1e-12
"""Share of the signals' range below which scatter is the rounding of the arithmetic."""


def iso_11843(
    line: Line,
    *,
    measurements: int = 1,
    relative_variance: float = 1.0,
    alpha: float = 0.05,
    beta: float = 0.05,
) -> Limits:
    """Critical and minimum detectable value of ISO 11843-2, for the mean of `measurements` replicates.

    `relative_variance` is that of one signal at concentration 0 (1 without weighting).  The minimum
    detectable value uses the noncentral t distribution exactly, which for alpha = beta is close to twice
    the critical value.
    """
    t = _one_sided("alpha", alpha, line)
    _one_sided("beta", beta, line)
    width = _width(line, measurements, relative_variance)
    dof = line.degrees_of_freedom
    delta = optimize.brentq(lambda d: float(stats.nct.cdf(t, dof, d)) - beta, 0.0, 3 * t + 10)
    return Limits(
        decision=t * width,
        detection=float(delta) * width,
        definition=f"ISO 11843-2, alpha = {alpha:g}, beta = {beta:g}, {measurements} measurement(s)",
        alpha=alpha,
        beta=beta,
    )


def din_32645(
    line: Line,
    *,
    measurements: int = 1,
    relative_variance: float = 1.0,
    alpha: float = 0.01,
    k: float = 3.0,
) -> Limits:
    """Calibration-line method of DIN 32645, with beta = alpha: detection limit twice the decision limit.

    The quantification limit is where the half-width of the two-sided 1 - alpha interval is 1/k of the
    result.  Raises AnalysisError when the scatter is so large that no concentration reaches that.
    """
    t = _one_sided("alpha", alpha, line)
    width = _width(line, measurements, relative_variance)
    return Limits(
        decision=t * width,
        detection=2 * t * width,
        quantification=_quantification(line, measurements, relative_variance, alpha, positive("k", k)),
        definition=f"DIN 32645 calibration line, alpha = beta = {alpha:g}, k = {k:g}, {measurements} measurement(s)",
        alpha=alpha,
        beta=alpha,
    )


def din_32645_blank(blank_signals: ArrayLike, slope: float, *, measurements: int = 1, alpha: float = 0.01) -> Limits:
    """Blank method of DIN 32645: from the scatter of three or more blanks and the calibration's slope."""
    blanks = floats("blank_signals", blank_signals, at_least=3)
    sd = float(blanks.std(ddof=1))
    if sd == 0:
        raise AnalysisError(f"All blanks are {blanks[0]:.6g}; without scatter there is no detection limit.")
    if slope == 0:
        raise AnalysisError("The slope is 0: the signal does not depend on the concentration.")
    t = float(stats.t.isf(_probability("alpha", alpha), blanks.size - 1))
    decision = t * sd / abs(slope) * math.sqrt(1 / _count(measurements) + 1 / blanks.size)
    return Limits(
        decision=decision,
        detection=2 * decision,
        definition=f"DIN 32645 blank method, alpha = beta = {alpha:g}, {measurements} measurement(s)",
        alpha=alpha,
        beta=alpha,
    )


def ich_q2(
    line: Line,
    *,
    sigma: Literal["residual", "intercept"] = "residual",
    blank_signals: ArrayLike | None = None,
) -> Limits:
    """Detection limit 3.3 s/S and quantification limit 10 s/S of ICH Q2(R2), S the slope of the calibration.

    s is the residual standard deviation or that of the intercept, or with `blank_signals` that of the
    blanks.
    """
    sd = _sd(line)
    source = "residual standard deviation"
    if blank_signals is not None:
        source = "standard deviation of the blank"
        sd = float(floats("blank_signals", blank_signals, at_least=3).std(ddof=1))
    elif sigma == "intercept" and line.intercept_sd is not None:
        source, sd = "standard deviation of the intercept", line.intercept_sd
    if sd == 0:
        raise AnalysisError(f"The {source} is 0; without scatter there is no detection limit.")
    return Limits(
        detection=3.3 * sd / abs(line.slope),
        quantification=10 * sd / abs(line.slope),
        definition=f"ICH Q2(R2), 3.3 s/S and 10 s/S with s the {source}",
    )


def _width(line: Line, measurements: int, relative_variance: float) -> float:
    positive("relative_variance", relative_variance)
    spread = relative_variance / _count(measurements) + 1 / line.points + line.x_mean**2 / line.sxx
    return _sd(line) / abs(line.slope) * math.sqrt(spread)


def _quantification(line: Line, measurements: int, relative_variance: float, alpha: float, k: float) -> float:
    scale = (k * float(stats.t.isf(alpha / 2, line.degrees_of_freedom)) * _sd(line) / line.slope) ** 2
    square = 1 - scale / line.sxx
    if square <= 0:
        raise AnalysisError(
            f"The calibration scatters too much for any concentration to be quantified to 1/{k:g}; "
            "measure more or better standards."
        )
    half = scale * line.x_mean / line.sxx
    rest = scale * (relative_variance / measurements + 1 / line.points + line.x_mean**2 / line.sxx)
    return (-half + math.sqrt(half**2 + square * rest)) / square


def _sd(line: Line) -> float:
    if line.slope == 0:
        raise AnalysisError("The line has slope 0: the signal does not depend on the concentration.")
    if line.residual_sd is None:
        raise AnalysisError("A line through two points has no scatter, so it gives no limit; measure at least three.")
    if line.residual_sd <= _ROUNDING * abs(line.slope) * (line.x_max - line.x_min):
        raise AnalysisError("The residual standard deviation is 0; without scatter there is no detection limit.")
    return line.residual_sd


def _one_sided(name: str, probability: float, line: Line) -> float:
    _sd(line)
    return float(stats.t.isf(_probability(name, probability), line.degrees_of_freedom))


def _probability(name: str, value: float) -> float:
    if not 0 < value < 0.5:
        raise AnalysisError(f"{name} is {value:.6g}; give a probability between 0 and 0.5, such as 0.05.")
    return value


def _count(measurements: int) -> int:
    if measurements < 1:
        raise AnalysisError(f"measurements is {measurements}; at least 1 is needed.")
    return measurements
