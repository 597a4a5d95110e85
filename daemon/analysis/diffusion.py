"""Diffusion coefficient or electroactive area from peaks, from a current transient, or from its charge."""

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, all_positive, pair, positive
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, symmetric
from luggin.daemon.analysis.faraday import thermal_voltage
from luggin.daemon.analysis.regression import fit_line
from luggin.daemon.analysis.serial_correlation import accumulated, widened
from luggin.daemon.analysis.transport import TransportResult, from_slope, misses_origin, one_sign

# Peak values of the current function sqrt(pi) chi: Nicholson & Shain, Anal. Chem. 36 (1964) 706 give 0.4463 and
# 0.4958; further digits by solving their integral equation.
REVERSIBLE_PEAK = 0.446295
IRREVERSIBLE_PEAK = 0.495763


class ChronocoulometryResult(TransportResult):
    """`intercept` is the charge at time zero in C: double layer and, if there is any, adsorbed reactant."""

    intercept: Estimate


def randles_sevcik(
    scan_rates: ArrayLike,
    peak_currents: ArrayLike,
    *,
    concentration: Known,
    area: Known | None = None,
    diffusion_coefficient: Known | None = None,
    electrons: float = 1.0,
    temperature: float = 298.15,
    kind: Literal["reversible", "irreversible"] = "reversible",
    transfer_coefficient: float = 0.5,
    confidence: float = 0.95,
) -> TransportResult:
    """Randles-Sevcik: peak current against the square root of the scan rate, both of shape (n,), n >= 3.

    Units: V/s, A, mol/m3, m2, m2/s, K.  For a reversible couple i_p = 0.4463 n F A c sqrt(n F v D / RT); for an
    irreversible one 0.4958 n F A c sqrt(alpha F v D / RT), one electron in the rate-determining step.
    Currents are peak heights above their baseline, of one peak.  Macroelectrode and semi-infinite diffusion are
    assumed.
    """
    v, i = pair("scan_rates", scan_rates, "peak_currents", peak_currents, at_least=3)
    all_positive("scan_rates", v)
    line = fit_line(
        np.sqrt(v), one_sign("peak_currents", i), x_name="square roots of scan rates", y_name="peak_currents"
    )
    n = positive("electrons", electrons)
    effective = n if kind == "reversible" else positive("transfer_coefficient", transfer_coefficient)
    peak = REVERSIBLE_PEAK if kind == "reversible" else IRREVERSIBLE_PEAK
    return from_slope(
        line,
        line.measured_slope,
        factor=peak * n * math.sqrt(effective / thermal_voltage(temperature)),
        power=0.5,
        concentration=concentration,
        area=area,
        diffusion_coefficient=diffusion_coefficient,
        confidence=confidence,
        method=f"Randles-Sevcik, {kind}, slope over {line.points} scan rates",
        warnings=misses_origin(line, "charging current, adsorption or ohmic drop"),
    )


def cottrell(
    time: ArrayLike,
    current: ArrayLike,
    *,
    concentration: Known,
    area: Known | None = None,
    diffusion_coefficient: Known | None = None,
    electrons: float = 1.0,
    window: tuple[float, float] | None = None,
    confidence: float = 0.95,
) -> TransportResult:
    """Cottrell: current against 1/sqrt(time since the step), i = n F A c sqrt(D / (pi t)).

    `window` (s) limits the times used: late enough that charging is over, early enough that neither convection
    nor the edge of the electrode counts.  The uncertainty allows for correlated neighbouring points.
    """
    t, i = _windowed(time, current, "current", window)
    x, y = 1 / np.sqrt(t), one_sign("current", i)
    line = fit_line(x, y, x_name="time", y_name="current")
    slope, _ = widened(line, x, y)
    return from_slope(
        line,
        slope,
        factor=positive("electrons", electrons) / math.sqrt(math.pi),
        power=0.5,
        concentration=concentration,
        area=area,
        diffusion_coefficient=diffusion_coefficient,
        confidence=confidence,
        method="Cottrell, slope of current against 1/sqrt(t)",
        warnings=misses_origin(line, "edge diffusion, convection or a background current"),
    )


def anson(
    time: ArrayLike,
    charge: ArrayLike,
    *,
    concentration: Known,
    area: Known | None = None,
    diffusion_coefficient: Known | None = None,
    electrons: float = 1.0,
    window: tuple[float, float] | None = None,
    confidence: float = 0.95,
) -> ChronocoulometryResult:
    """Anson: charge against sqrt(time since the step), Q = 2 n F A c sqrt(D t / pi) + Q_0.

    `charge` in C is counted from the step and sampled evenly.  Its points carry the noise of the current
    summed up, so their errors hang together; the uncertainty allows for that.
    """
    t, q = _windowed(time, charge, "charge", window)
    x = np.sqrt(t)
    line = fit_line(x, q, x_name="time", y_name="charge")
    slope, intercept = accumulated(line, x, q)
    result = from_slope(
        line,
        slope,
        factor=2 * positive("electrons", electrons) / math.sqrt(math.pi),
        power=0.5,
        concentration=concentration,
        area=area,
        diffusion_coefficient=diffusion_coefficient,
        confidence=confidence,
        method="Anson, slope of charge against sqrt(t)",
    )
    at_zero = symmetric(
        intercept.value,
        intercept.standard_uncertainty,
        intercept.degrees_of_freedom,
        confidence,
        "intercept of charge against sqrt(t)",
    )
    return ChronocoulometryResult(**dict(result), intercept=at_zero)


def _windowed(
    time: ArrayLike, values: ArrayLike, name: str, window: tuple[float, float] | None
) -> tuple[Floats, Floats]:
    t, y = pair("time", time, name, values, at_least=3)
    start, end = window if window is not None else (float(np.nextafter(0, 1)), float(t.max()))
    inside = (t >= start) & (t <= end) & (t > 0)
    if np.count_nonzero(inside) < 3:
        raise AnalysisError(
            f"Only {np.count_nonzero(inside)} points lie between {start:.4g} and {end:.4g} s after the step; "
            "at least 3 are needed."
        )
    return t[inside], y[inside]
