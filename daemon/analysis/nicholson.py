"""Rate constant of electron transfer from the separation of the peaks of cyclic voltammograms."""

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import interpolate

from luggin.daemon.analysis.arrays import Floats, all_positive, pair, positive
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, Measured, Result, measured, symmetric
from luggin.daemon.analysis.faraday import thermal_voltage

# Peak separation in mV (n = 1, 25 degC, transfer coefficient 1/2) against Nicholson's psi, for switching potentials
# 141, 200, 300 and 600 mV past E1/2.  Solved from the integral equation of Nicholson, Anal. Chem. 37 (1965) 1351;
# his own table (141 mV) agrees within 1.6 mV.
_DISTANCES = (0.141, 0.200, 0.300, 0.600)
_TABLE = (
    (20, 60.23, 59.46, 58.95, 58.56),
    (14, 60.78, 60.01, 59.51, 59.13),
    (10, 61.50, 60.75, 60.25, 59.89),
    (7, 62.59, 61.85, 61.36, 61.02),
    (5, 64.03, 63.30, 62.84, 62.53),
    (4, 65.28, 64.56, 64.12, 63.83),
    (3, 67.35, 66.65, 66.23, 65.99),
    (2, 71.41, 70.76, 70.40, 70.25),
    (1.5, 75.38, 74.78, 74.48, 74.42),
    (1, 83.07, 82.56, 82.38, 82.51),
    (0.75, 90.44, 90.02, 89.96, 90.27),
    (0.5, 104.27, 104.05, 104.23, 104.91),
    (0.35, 120.48, 120.50, 120.99, 122.11),
    (0.25, 139.68, 140.03, 140.89, 142.55),
    (0.17, 166.48, 167.31, 168.70, 171.05),
    (0.12, 194.67, 195.97, 197.87, 200.83),
    (0.1, 210.67, 212.23, 214.38, 217.61),
)
_INSENSITIVE = 7.0


class RateConstant(Result):
    """Standard heterogeneous rate constant in m/s.

    `psi` and `each` hold the kinetic parameter and the rate constant at every scan rate, None outside the range of
    validity; `value` is the mean, with the standard error over scan rates as its uncertainty.
    """

    value: Estimate
    psi: tuple[float | None, ...]
    each: tuple[float | None, ...]


def nicholson(
    peak_separations: ArrayLike,
    scan_rates: ArrayLike,
    diffusion_coefficient: Known,
    *,
    switching_distance: float = 0.3,
    electrons: float = 1.0,
    temperature: float = 298.15,
    confidence: float = 0.95,
) -> RateConstant:
    """Nicholson's method: k0 = psi sqrt(pi D n F v / RT) from n * peak separation.

    `peak_separations` (V) and `scan_rates` (V/s) have shape (n,); `diffusion_coefficient` (m2/s) is taken as that
    of both species and the transfer coefficient as 1/2 (from 0.3 to 0.7 it hardly matters).
    `switching_distance` (V): how far past E1/2 the scan was reversed.

    Valid for psi from 0.1 to 20, that is peak separations of about 59 to 214 mV over n; above psi = 7 (61 mV) a
    millivolt changes psi by half, which is remarked.  Uncompensated resistance widens the peaks in the same way:
    correct for it first.  Raises AnalysisError when no scan rate lies in the range.
    """
    de, v = pair("peak_separations", peak_separations, "scan_rates", scan_rates)
    all_positive("scan_rates", v)
    n, diffusion = positive("electrons", electrons), measured("diffusion_coefficient", diffusion_coefficient)
    scale = n * 0.0256926 / thermal_voltage(temperature)
    psi = kinetic_parameter(de * scale, switching_distance * scale)
    inside = np.isfinite(psi)
    if not inside.any():
        low, high = _range(switching_distance * scale)
        raise AnalysisError(
            f"No peak separation lies between {low / scale:.1f} and {high / scale:.0f} mV, where the method holds: "
            "wider ones are irreversible, narrower ones reversible at these scan rates."
        )
    rates = psi * np.sqrt(np.pi * diffusion.value * v / thermal_voltage(temperature) * n)
    valid = rates[inside]
    warnings = []
    if not inside.all():
        warnings.append(f"{np.count_nonzero(~inside)} of {psi.size} scan rates lie outside the range of validity.")
    if np.any(psi[inside] > _INSENSITIVE):
        warnings.append("Some separations are nearly reversible (psi above 7), where psi is very uncertain.")
    mean = float(valid.mean())
    return RateConstant(
        value=_mean(valid, mean, diffusion, confidence, warnings),
        psi=tuple(float(p) if ok else None for p, ok in zip(psi, inside, strict=True)),
        each=tuple(float(k) if ok else None for k, ok in zip(rates, inside, strict=True)),
    )


def kinetic_parameter(separation: Floats, switching_distance: float) -> Floats:
    """Nicholson's psi for peak separations in V (n = 1, 25 degC), shape (n,); nan outside psi = 0.1 to 20."""
    table = np.array(_TABLE)
    curve = _curve(table, switching_distance)
    psi = 10 ** interpolate.PchipInterpolator(curve, np.log10(table[:, 0]))(separation * 1000, extrapolate=False)
    return np.asarray(psi, dtype=np.float64)


def _curve(table: Floats, switching_distance: float) -> Floats:
    """Peak separations of the table at one switching distance: nearly linear in the inverse of the distance."""
    if switching_distance < _DISTANCES[0]:
        raise AnalysisError(
            f"The scan was reversed {switching_distance * 1000:.0f} mV past E1/2; "
            f"the method needs at least {_DISTANCES[0] * 1000:.0f} mV (over n, at 25 degC)."
        )
    inverse = -1 / np.array(_DISTANCES)
    at = min(-1 / switching_distance, float(inverse[-1]))
    return np.array([np.interp(at, inverse, row) for row in table[:, 1:]])


def _range(switching_distance: float) -> tuple[float, float]:
    curve = _curve(np.array(_TABLE), switching_distance)
    return float(curve[0]), float(curve[-1])


def _mean(values: Floats, mean: float, diffusion: Measured, confidence: float, warnings: list[str]) -> Estimate:
    if values.size < 2:
        remark = "One scan rate alone gives no uncertainty; measure several."
        return Estimate(
            value=mean, confidence=confidence, method="Nicholson, one scan rate", warnings=(*warnings, remark)
        )
    scatter = float(values.std(ddof=1)) / math.sqrt(values.size)
    own = mean * diffusion.standard_uncertainty / diffusion.value / 2
    uncertainty = math.hypot(scatter, own)
    spread = scatter**4 / (values.size - 1) + own**4 / diffusion.degrees_of_freedom
    dof = uncertainty**4 / spread if spread > 0 else math.inf
    method = f"Nicholson, mean of {values.size} scan rates, standard error of the mean"
    return symmetric(mean, uncertainty, dof, confidence, method, warnings)
