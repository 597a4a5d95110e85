"""Corrosion: polarisation resistance, Stern-Geary, and rates of penetration and mass loss (ASTM G59 and G102)."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, pair, positive
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, Measured, Result, measured, power_law
from luggin.daemon.analysis.faraday import FARADAY
from luggin.daemon.analysis.regression import fit_line

YEAR = 365.25 * 86400.0
DAY = 86400.0


class CorrosionRate(Result):
    """Uniform corrosion: `penetration` in m/s, `mass_loss` in kg/(m2 s), and both in the units of the trade."""

    penetration: Estimate
    mass_loss: Estimate
    millimetres_per_year: float
    grams_per_square_metre_and_day: float


class Constituent(NamedTuple):
    """One element of an alloy: mass fraction, valence in the corrosion reaction, molar mass in kg/mol."""

    mass_fraction: float
    valence: float
    molar_mass: float


def corrosion_potential(potential: ArrayLike, current: ArrayLike) -> float:
    """Potential (V) where the current (A) passes zero, by linear interpolation; arrays of shape (n,).

    With several passages, as noise makes them, their mean.  Raises AnalysisError when there is none.
    """
    e, i = pair("potential", potential, "current", current, at_least=2)
    return _zero(e, i)


def polarisation_resistance(
    potential: ArrayLike,
    current: ArrayLike,
    *,
    area: Known | None = None,
    window: float = 0.010,
    uncompensated_resistance: Known | None = None,
    confidence: float = 0.95,
) -> Estimate:
    """Polarisation resistance dE/di at the corrosion potential (ASTM G59), in ohm, or ohm m2 with an `area` in m2.

    A line is fitted to the current (A) within `window` (V) on either side of the corrosion potential; with
    10 mV the curvature costs less than 1 % for the usual Tafel slopes.  `uncompensated_resistance` (ohm) is
    subtracted, unless the potentials are corrected for it already: then leave it out.
    """
    e, i = pair("potential", potential, "current", current, at_least=3)
    near = np.abs(e - _zero(e, i)) <= positive("window", window)
    if np.count_nonzero(near) < 3:
        raise AnalysisError(
            f"Only {np.count_nonzero(near)} points lie within {window * 1000:.3g} mV of the corrosion potential; "
            "at least 3 are needed."
        )
    slope = fit_line(e[near], i[near], x_name="potential", y_name="current").measured_slope
    if slope.value <= 0:
        raise AnalysisError("The current does not grow with the potential around the corrosion potential.")
    total = 1 / slope.value
    ohmic = (
        Measured(0.0)
        if uncompensated_resistance is None
        else measured("uncompensated_resistance", uncompensated_resistance)
    )
    if ohmic.value >= total:
        raise AnalysisError(
            f"The uncompensated resistance {ohmic.value:.4g} ohm is not smaller than the slope {total:.4g} ohm; "
            "it may have been corrected for already."
        )
    parts = [
        Measured(1, total * slope.standard_uncertainty / slope.value, slope.degrees_of_freedom),
        Measured(1, ohmic.standard_uncertainty, ohmic.degrees_of_freedom),
    ]
    resistance = _sum(total - ohmic.value, parts)
    method = f"ASTM G59, slope within {window * 1000:.3g} mV of the corrosion potential"
    if area is None:
        return power_law(resistance.value, [(resistance, 1.0)], confidence, method)
    size = measured("area", area)
    return power_law(resistance.value * size.value, [(resistance, 1.0), (size, 1.0)], confidence, method)


def stern_geary_coefficient(anodic_slope: Known, cathodic_slope: Known, *, confidence: float = 0.95) -> Estimate:
    """B = ba bc / (ln 10 (ba + bc)) in V, from Tafel slopes in V/decade, both as magnitudes (ASTM G59, G102)."""
    a, c = measured("anodic_slope", anodic_slope), measured("cathodic_slope", cathodic_slope)
    total = a.value + c.value
    value = a.value * c.value / (math.log(10) * total)
    factors = [(a, c.value / total), (c, a.value / total)]
    return power_law(value, factors, confidence, "Stern-Geary")


def corrosion_current_density(
    coefficient: Known, polarisation_resistance: Known, *, confidence: float = 0.95
) -> Estimate:
    """i_corr = B / R_p in A/m2, from B in V and R_p in ohm m2 (ASTM G59; Stern & Geary 1957)."""
    b, r = measured("coefficient", coefficient), measured("polarisation_resistance", polarisation_resistance)
    return power_law(b.value / r.value, [(b, 1.0), (r, -1.0)], confidence, "Stern-Geary, i_corr = B / R_p")


def equivalent_weight(constituents: Sequence[Constituent]) -> float:
    """Equivalent weight in kg/mol: 1 / sum(n f / W) (ASTM G102).

    ASTM G102 leaves out constituents below 1 % by mass.  Raises AnalysisError for an empty list, for values that
    are not above zero, or for mass fractions that add up to more than 1.
    """
    if not constituents:
        raise AnalysisError("An equivalent weight needs at least one constituent.")
    for index, part in enumerate(constituents):
        for name, value in part._asdict().items():
            positive(f"constituents[{index}].{name}", value)
    total = sum(part.mass_fraction for part in constituents)
    if total > 1.001:
        raise AnalysisError(f"The mass fractions add up to {total:.4g}; give fractions of 1, not percent.")
    return 1 / sum(part.valence * part.mass_fraction / part.molar_mass for part in constituents)


def corrosion_rate(
    current_density: Known, equivalent_weight: float, density: float, *, confidence: float = 0.95
) -> CorrosionRate:
    """Rates of uniform corrosion from i_corr (A/m2), equivalent weight (kg/mol) and density (kg/m3); ASTM G102."""
    i = measured("current_density", current_density)
    weight, rho = positive("equivalent_weight", equivalent_weight), positive("density", density)
    loss = i.value * weight / FARADAY
    mass_loss = power_law(loss, [(i, 1.0)], confidence, "ASTM G102, mass loss")
    penetration = power_law(loss / rho, [(i, 1.0)], confidence, "ASTM G102, penetration")
    return CorrosionRate(
        penetration=penetration,
        mass_loss=mass_loss,
        millimetres_per_year=penetration.value * 1000 * YEAR,
        grams_per_square_metre_and_day=mass_loss.value * 1000 * DAY,
    )


def _sum(value: float, parts: Sequence[Measured]) -> Measured:
    uncertainty = math.hypot(*(part.standard_uncertainty for part in parts))
    spread = sum(part.standard_uncertainty**4 / part.degrees_of_freedom for part in parts)
    return Measured(value, uncertainty, uncertainty**4 / spread if spread > 0 else math.inf)


def _zero(e: Floats, i: Floats) -> float:
    exact = e[i == 0]
    crossing = np.flatnonzero(i[:-1] * i[1:] < 0)
    between = e[crossing] - i[crossing] * (e[crossing + 1] - e[crossing]) / (i[crossing + 1] - i[crossing])
    zeros = np.concatenate([exact, between])
    if zeros.size == 0:
        raise AnalysisError("The current never passes zero, so there is no corrosion potential in these data.")
    return float(zeros.mean())
