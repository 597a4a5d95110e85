"""What statistics of measured numbers give: an estimate with its interval, a straight line, tests, limits.

They are computed in `luggin.daemon.analysis`; here is only their form, for who reads them.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from luggin.protocol.program import Frozen


class Measured(NamedTuple):
    """An input that is itself uncertain: its value, standard uncertainty and degrees of freedom."""

    value: float
    standard_uncertainty: float = 0.0
    degrees_of_freedom: float = math.inf


class Estimate(Frozen):
    """A number in SI units, its standard uncertainty and its confidence interval.

    `standard_uncertainty`, `lower` and `upper` are None where the data leave no degree of freedom.
    `degrees_of_freedom` None means the uncertainty is taken as exactly known (normal distribution).
    `method` names how the interval was computed.
    """

    value: float
    standard_uncertainty: float | None = None
    degrees_of_freedom: float | None = None
    lower: float | None = None
    upper: float | None = None
    confidence: float = 0.95
    method: str
    warnings: tuple[str, ...] = ()


class Line(Frozen):
    """y = intercept + slope x.

    Weights are scaled to a mean of 1, so that `residual_sd` (n - 2 degrees of freedom) is on the scale of y.
    `x_mean`, `y_mean` and `sxx` are the weighted centroid and sum of squares.  With no degree of freedom left
    the standard deviations are None.
    """

    slope: float
    intercept: float
    slope_sd: float | None
    intercept_sd: float | None
    residual_sd: float | None
    degrees_of_freedom: int
    r_squared: float
    points: int
    x_mean: float
    y_mean: float
    sxx: float
    x_min: float
    x_max: float

    def at(self, x: ArrayLike) -> NDArray[np.float64]:
        """Value of the line at `x`."""
        return np.asarray(self.intercept + self.slope * np.asarray(x, dtype=np.float64))

    @property
    def measured_slope(self) -> Measured:
        return Measured(self.slope, self.slope_sd or 0.0, float(self.degrees_of_freedom))

    @property
    def measured_intercept(self) -> Measured:
        return Measured(self.intercept, self.intercept_sd or 0.0, float(self.degrees_of_freedom))


class FTest(Frozen):
    """An F test: the hypothesis stands (`passed`) while the statistic does not exceed the critical value."""

    name: str
    statistic: float
    critical: float
    p_value: float
    degrees_of_freedom: tuple[int, int]
    confidence: float
    passed: bool


class OutlierTest(Frozen):
    """Two-sided test of the most extreme value; `outlier` when the statistic exceeds the critical value."""

    name: str
    index: int
    value: float
    statistic: float
    critical: float
    confidence: float
    outlier: bool


class Limits(Frozen):
    """Concentrations in the unit of the calibration; None where the definition has no such limit.

    `alpha` and `beta` are the probabilities of a false detection and of a false non-detection.
    """

    decision: float | None = None
    detection: float
    quantification: float | None = None
    definition: str
    alpha: float | None = None
    beta: float | None = None
