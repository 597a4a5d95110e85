"""From a signal back to a concentration: a quotient of two uncertain numbers, and its confidence interval."""

import math
from collections.abc import Iterable

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Measured, check_confidence, student, symmetric
from luggin.protocol.evaluation.quantification_settings import Interval
from luggin.protocol.evaluation.statistics import Line

_METHODS = {
    "fieller": "Fieller's interval, Student's t with {dof} degrees of freedom",
    "s_x0": "x0 +- t s_x0 (first-order propagation), Student's t with {dof} degrees of freedom",
}


def quotient(
    line: Line,
    difference: float,
    variance: float,
    *,
    offset: float = 0.0,
    interval: Interval = "fieller",
    confidence: float = 0.95,
    warnings: Iterable[str] = (),
) -> Estimate:
    """Return offset + difference / slope with its interval.

    `difference` is in units of the signal, independent of the slope (as the distance of a signal from the
    centroid of the line is), and has the variance `variance` times the square of the line's residual
    standard deviation.  Fieller's interval (Fieller, J. R. Stat. Soc. B 16 (1954) 175) is exact for normal
    errors; s_x0 is the usual formula (Miller & Miller, Statistics and Chemometrics for Analytical
    Chemistry, ch. 5). Raises AnalysisError when the slope is zero or, with Fieller, not distinguishable
    from zero.
    """
    if line.slope == 0:
        raise AnalysisError("The line has slope 0: the signal does not depend on the concentration.")
    check_confidence(confidence)
    value = difference / line.slope
    dof = line.degrees_of_freedom
    method = _METHODS[interval].format(dof=dof)
    if line.residual_sd is None or line.slope_sd is None:
        return Estimate(
            value=offset + value,
            confidence=confidence,
            method="none: the line has no degree of freedom left",
            warnings=(*warnings, "There are as many unknowns as levels, so no uncertainty can be given."),
        )
    spread = variance * line.residual_sd**2
    uncertainty = math.sqrt(spread + (value * line.slope_sd) ** 2) / abs(line.slope)
    plain = symmetric(offset + value, uncertainty, dof, confidence, method, warnings)
    if interval == "s_x0":
        return plain
    t = student(confidence, dof)
    denominator = line.slope**2 - (t * line.slope_sd) ** 2
    if denominator <= 0:
        raise AnalysisError(
            f"The slope {line.slope:.4g} cannot be told from zero at {confidence:.0%} confidence "
            f"(standard deviation {line.slope_sd:.4g}); measure more levels or a wider range."
        )
    middle = difference * line.slope / denominator
    half = t * math.sqrt(spread * denominator + (difference * line.slope_sd) ** 2) / denominator
    return plain.model_copy(update={"lower": offset + middle - half, "upper": offset + middle + half})


def diluted(estimate: Estimate, dilution: Measured) -> Estimate:
    """Scale a result by a dilution factor, whose own uncertainty is added in quadrature."""
    factor = dilution.value
    scaled = {"value": estimate.value * factor}
    if estimate.standard_uncertainty is None or estimate.lower is None or estimate.upper is None:
        return estimate.model_copy(update=scaled)
    own = abs(estimate.value) * dilution.standard_uncertainty
    uncertainty = math.hypot(factor * estimate.standard_uncertainty, own)
    half = student(estimate.confidence, dilution.degrees_of_freedom) * own
    scaled |= {
        "standard_uncertainty": uncertainty,
        "lower": scaled["value"] - math.hypot(factor * (estimate.value - estimate.lower), half),
        "upper": scaled["value"] + math.hypot(factor * (estimate.upper - estimate.value), half),
    }
    method = estimate.method + (", dilution added in quadrature" if own > 0 else "")
    return estimate.model_copy(update={**scaled, "method": method})
