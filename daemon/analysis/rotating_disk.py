"""Rotating disk electrode: Levich and Koutecky-Levich."""

import math

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import all_positive, pair, positive
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, Measured, power_law
from luggin.daemon.analysis.regression import fit_line
from luggin.daemon.analysis.transport import TransportResult, from_slope, misses_origin, one_sign

LEVICH = 0.620
"""Bard & Faulkner, Electrochemical Methods (2001), 9.3.22, for an angular rotation rate in rad/s."""


class KouteckyLevichResult(TransportResult):
    """`kinetic_current` in A is the current without any limit by mass transport."""

    kinetic_current: Estimate


def levich(
    rotation_rates: ArrayLike,
    limiting_currents: ArrayLike,
    *,
    concentration: Known,
    kinematic_viscosity: float = 8.93e-7,
    area: Known | None = None,
    diffusion_coefficient: Known | None = None,
    electrons: float = 1.0,
    confidence: float = 0.95,
) -> TransportResult:
    """Levich: limiting current against sqrt(omega), i = 0.620 n F A c D^(2/3) nu^(-1/6) omega^(1/2).

    `rotation_rates` in Hz (revolutions per second) and `limiting_currents` in A have shape (n,), n >= 3;
    `kinematic_viscosity` in m2/s (default: water at 25 degC).  The first-order equation is used, which for Schmidt
    numbers near 1000 is about 3 % high in the current (Newman 1966).
    """
    rate, current = pair("rotation_rates", rotation_rates, "limiting_currents", limiting_currents, at_least=3)
    all_positive("rotation_rates", rate)
    x, y = np.sqrt(2 * np.pi * rate), one_sign("limiting_currents", current)
    line = fit_line(x, y, x_name="rotation_rates", y_name="limiting_currents")
    return from_slope(
        line,
        line.measured_slope,
        factor=_factor(electrons, kinematic_viscosity),
        power=2 / 3,
        concentration=concentration,
        area=area,
        diffusion_coefficient=diffusion_coefficient,
        confidence=confidence,
        method=f"Levich, slope over {line.points} rotation rates",
        warnings=misses_origin(line, "slow kinetics (use Koutecky-Levich) or a background current"),
    )


def koutecky_levich(
    rotation_rates: ArrayLike,
    currents: ArrayLike,
    *,
    concentration: Known,
    kinematic_viscosity: float = 8.93e-7,
    area: Known | None = None,
    diffusion_coefficient: Known | None = None,
    electrons: float = 1.0,
    confidence: float = 0.95,
) -> KouteckyLevichResult:
    """Koutecky-Levich: 1/i = 1/i_k + 1/(B sqrt(omega)) at one potential; inputs and units as for `levich`.

    Points are weighted by i^2, as befits a scatter proportional to the current.  Raises AnalysisError when the
    intercept is not above zero, which means that mass transport alone limits the current.
    """
    rate, current = pair("rotation_rates", rotation_rates, "currents", currents, at_least=3)
    all_positive("rotation_rates", rate)
    y = one_sign("currents", current)
    line = fit_line(
        1 / np.sqrt(2 * np.pi * rate), 1 / y, weights=y**2, x_name="rotation_rates", y_name="inverse currents"
    )
    if line.slope <= 0:
        raise AnalysisError("The current does not grow with the rotation rate, so there is nothing to separate.")
    if line.intercept <= 0:
        raise AnalysisError(
            f"The intercept 1/i_k is {line.intercept:.3g} per A, not above zero: the current is limited by mass "
            "transport alone; use Levich."
        )
    slope = line.measured_slope
    inverse = Measured(1 / slope.value, slope.standard_uncertainty / slope.value**2, slope.degrees_of_freedom)
    result = from_slope(
        line,
        inverse,
        factor=_factor(electrons, kinematic_viscosity),
        power=2 / 3,
        concentration=concentration,
        area=area,
        diffusion_coefficient=diffusion_coefficient,
        confidence=confidence,
        method=f"Koutecky-Levich, slope over {line.points} rotation rates, weights i^2",
    )
    sign = math.copysign(1.0, float(current[0]))
    kinetic = power_law(
        sign / line.intercept,
        [(line.measured_intercept, -1.0)],
        confidence,
        "inverse of the Koutecky-Levich intercept",
    )
    return KouteckyLevichResult(**dict(result), kinetic_current=kinetic)


def _factor(electrons: float, kinematic_viscosity: float) -> float:
    viscosity = positive("kinematic_viscosity", kinematic_viscosity)
    return LEVICH * positive("electrons", electrons) / math.pow(viscosity, 1 / 6)
