"""A number with its uncertainty, and how uncertainty passes through products of powers."""

import math
from collections.abc import Iterable

from pydantic import BaseModel, ConfigDict
from scipy import stats

from luggin.daemon.analysis.errors import AnalysisError
from luggin.protocol.evaluation.statistics import Estimate, Measured


class Result(BaseModel):
    """Base of everything an analysis returns: immutable, and JSON without infinities."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


Known = float | Measured


def measured(name: str, known: Known) -> Measured:
    """Read an input that must be above zero and may carry an uncertainty."""
    read = known if isinstance(known, Measured) else Measured(float(known))
    if not (math.isfinite(read.value) and read.value > 0):
        raise AnalysisError(f"{name} is {read.value:.6g}; it must be above zero.")
    if not (math.isfinite(read.standard_uncertainty) and read.standard_uncertainty >= 0):
        raise AnalysisError(
            f"The standard uncertainty of {name} is {read.standard_uncertainty:.6g}; it must not be negative."
        )
    return read


def check_confidence(confidence: float) -> float:
    """Return the level of confidence if it lies between 0 and 1, else raise AnalysisError."""
    if not 0 < confidence < 1:
        raise AnalysisError(f"confidence is {confidence:.6g}; give a level between 0 and 1, such as 0.95.")
    return confidence


def student(confidence: float, degrees_of_freedom: float) -> float:
    """Two-sided quantile of Student's t distribution (of the normal one for infinite degrees of freedom)."""
    return float(stats.t.ppf((1 + check_confidence(confidence)) / 2, degrees_of_freedom))


def symmetric(
    value: float,
    uncertainty: float,
    degrees_of_freedom: float,
    confidence: float,
    method: str,
    warnings: Iterable[str] = (),
) -> Estimate:
    """Estimate with the interval value +- t u; without interval where no degree of freedom is left."""
    check_confidence(confidence)
    if degrees_of_freedom <= 0:
        return Estimate(value=value, confidence=confidence, method=method, warnings=tuple(warnings))
    half = student(confidence, degrees_of_freedom) * uncertainty
    return Estimate(
        value=value,
        standard_uncertainty=uncertainty,
        degrees_of_freedom=degrees_of_freedom if math.isfinite(degrees_of_freedom) else None,
        lower=value - half,
        upper=value + half,
        confidence=confidence,
        method=method,
        warnings=tuple(warnings),
    )


def power_law(
    value: float,
    factors: Iterable[tuple[Measured, float]],
    confidence: float,
    method: str,
    warnings: Iterable[str] = (),
) -> Estimate:
    """Estimate of a product of powers, each factor given with its exponent (GUM 5.1.6).

    The effective degrees of freedom follow Welch and Satterthwaite (GUM G.4.1).  A factor without any degree
    of freedom (a line through two points) leaves the result without an uncertainty.
    """
    parts = [
        (abs(power * factor.standard_uncertainty / factor.value), factor.degrees_of_freedom)
        for factor, power in factors
        if factor.standard_uncertainty > 0 or factor.degrees_of_freedom <= 0
    ]
    if any(dof <= 0 for _, dof in parts):
        return Estimate(value=value, confidence=check_confidence(confidence), method=method, warnings=tuple(warnings))
    relative = math.hypot(*(part for part, _ in parts)) if parts else 0.0
    spread = sum(part**4 / dof for part, dof in parts)
    dof = relative**4 / spread if spread > 0 else math.inf
    return symmetric(value, abs(value) * relative, dof, confidence, method, warnings)


__all__ = [
    "Estimate",
    "Known",
    "Measured",
    "Result",
    "check_confidence",
    "measured",
    "power_law",
    "student",
    "symmetric",
]
