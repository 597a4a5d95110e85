"""Diffusion or adsorption?  The slope of log peak current against log scan rate."""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import all_positive, pair
from luggin.daemon.analysis.estimate import Estimate, Result, symmetric
from luggin.daemon.analysis.regression import fit_line
from luggin.daemon.analysis.transport import one_sign

_TOLERANCE = 0.05  # common practice, no source


class ScanRateOrder(Result):
    """`control` is "undecided" when the interval of the slope holds both 1/2 and 1."""

    slope: Estimate
    control: Literal["diffusion", "adsorption", "mixed", "undecided"]


def scan_rate_order(scan_rates: ArrayLike, peak_currents: ArrayLike, *, confidence: float = 0.95) -> ScanRateOrder:
    """Slope of log i_p against log v, both of shape (n,), n >= 3: 1/2 for diffusion, 1 for an adsorbed species.

    Bard & Faulkner, Electrochemical Methods (2001), 6.2 and 14.3.  A slope counts as 1/2 or 1 when that lies
    within the interval or within 0.05 of the slope; "mixed" is anything else.
    """
    v, i = pair("scan_rates", scan_rates, "peak_currents", peak_currents, at_least=3)
    all_positive("scan_rates", v)
    line = fit_line(np.log10(v), np.log10(one_sign("peak_currents", i)), x_name="scan_rates", y_name="peak_currents")
    slope = symmetric(
        line.slope,
        line.slope_sd or 0.0,
        line.degrees_of_freedom,
        confidence,
        f"slope of log i against log v over {line.points} scan rates, Student's t",
    )
    half = 0.0 if slope.upper is None else slope.upper - slope.value
    diffusion, adsorption = (abs(line.slope - ideal) <= max(half, _TOLERANCE) for ideal in (0.5, 1.0))
    control: Literal["diffusion", "adsorption", "mixed", "undecided"] = "mixed"
    if diffusion and adsorption:
        control = "undecided"
    elif diffusion or adsorption:
        control = "diffusion" if diffusion else "adsorption"
    return ScanRateOrder(slope=slope, control=control)
