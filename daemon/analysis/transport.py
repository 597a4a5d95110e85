"""Diffusion coefficient or electroactive area from a slope that is a product of powers of them."""

from typing import Literal

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, Measured, Result, measured, power_law, student
from luggin.daemon.analysis.faraday import FARADAY
from luggin.daemon.analysis.regression import Line


class TransportResult(Result):
    """`value` is the diffusion coefficient (m2/s) or the electroactive area (m2), as `quantity` says.

    `line` is the straight line the value was read from.
    """

    quantity: Literal["diffusion coefficient", "electroactive area"]
    value: Estimate
    line: Line


def from_slope(
    line: Line,
    slope: Measured,
    *,
    factor: float,
    power: float,
    concentration: Known,
    area: Known | None,
    diffusion_coefficient: Known | None,
    confidence: float,
    method: str,
    warnings: tuple[str, ...] = (),
) -> TransportResult:
    """Solve |slope| = factor * F * area * concentration * D^power for whichever of area and D is not given.

    Raises AnalysisError unless exactly one of the two is given, and for a slope of zero.
    """
    if (area is None) == (diffusion_coefficient is None):
        raise AnalysisError("Give either the area or the diffusion coefficient; the other one is computed.")
    size = abs(slope.value)
    if size == 0:
        raise AnalysisError("The current does not change at all, so its slope is zero and tells nothing.")
    bulk = measured("concentration", concentration)
    quotient = size / (factor * FARADAY * bulk.value)
    if area is not None:
        known = measured("area", area)
        value = (quotient / known.value) ** (1 / power)
        factors = [(slope, 1 / power), (bulk, -1 / power), (known, -1 / power)]
    else:
        known = measured("diffusion_coefficient", diffusion_coefficient or 0.0)
        value = quotient / known.value**power
        factors = [(slope, 1.0), (bulk, -1.0), (known, -power)]
    return TransportResult(
        quantity="electroactive area" if area is None else "diffusion coefficient",
        value=power_law(value, factors, confidence, method, warnings),
        line=line,
    )


def one_sign(name: str, values: Floats) -> Floats:
    """Magnitudes of currents that all flow in one direction, else AnalysisError."""
    if values.min() <= 0 <= values.max():
        raise AnalysisError(f"{name} holds currents of both signs or zero; give those of one reaction only.")
    return abs(values)


def misses_origin(line: Line, what: str) -> tuple[str, ...]:
    """A warning when the intercept differs from zero by more than its 95 % interval and 2 % of the largest value."""
    if line.intercept_sd is None:
        return ()
    largest = max(abs(float(line.at(x))) for x in (line.x_min, line.x_max))
    if abs(line.intercept) > max(student(0.95, line.degrees_of_freedom) * line.intercept_sd, 0.02 * largest):
        return (f"The line misses the origin by {line.intercept:.3g}: look for {what}.",)
    return ()
