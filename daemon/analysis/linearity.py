"""Is it a straight line?  Mandel's test against a parabola, and lack of fit against the replicates."""

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from luggin.daemon.analysis.arrays import pair
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import check_confidence
from luggin.daemon.analysis.regression import fit_line, scaled_weights
from luggin.protocol.evaluation.statistics import FTest


def mandel(x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None, confidence: float = 0.99) -> FTest:
    """Mandel's fitting test: does a parabola describe the points significantly better than a straight line?

    ISO 8466-1 and DIN 38402-51, which test at 99 %.  Raises AnalysisError for fewer than four points or three
    different x.
    """
    x_values, y_values = pair("x", x, "y", y, at_least=4)
    if np.unique(x_values).size < 3:
        raise AnalysisError("A test of linearity needs at least three different concentrations.")
    w = scaled_weights(x_values, weights)
    line = fit_line(x_values, y_values, weights=w)
    scaled = (x_values - x_values.mean()) / np.ptp(x_values)
    root = np.sqrt(w)
    design = np.vander(scaled, 3) * root[:, None]
    coefficients = np.linalg.lstsq(design, y_values * root, rcond=None)[0]
    curved = float(np.sum((y_values * root - design @ coefficients) ** 2))
    straight = float(np.sum(w * (y_values - line.at(x_values)) ** 2))
    return _f_test(
        "Mandel (straight line against parabola)",
        (max(straight - curved, 0.0), 1),
        (curved, x_values.size - 3),
        confidence,
        float(np.sum(w * (y_values - y_values.mean()) ** 2)),
    )


def lack_of_fit(x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None, confidence: float = 0.95) -> FTest:
    """Lack of fit: do the level means leave the line by more than the replicates scatter?

    Draper & Smith, Applied Regression Analysis, ch. 2; IUPAC, Pure Appl. Chem. 70 (1998) 993.
    Raises AnalysisError without replicates or with fewer than three levels.
    """
    x_values, y_values = pair("x", x, "y", y, at_least=4)
    levels, index = np.unique(x_values, return_inverse=True)
    if levels.size < 3:
        raise AnalysisError("A test of linearity needs at least three different concentrations.")
    if levels.size == x_values.size:
        raise AnalysisError("The lack-of-fit test needs replicates; measure at least one level twice.")
    w = scaled_weights(x_values, weights)
    line = fit_line(x_values, y_values, weights=w)
    means = np.bincount(index, w * y_values) / np.bincount(index, w)
    pure = float(np.sum(w * (y_values - means[index]) ** 2))
    total = float(np.sum(w * (y_values - line.at(x_values)) ** 2))
    return _f_test(
        "lack of fit (level means against scatter of replicates)",
        (max(total - pure, 0.0), levels.size - 2),
        (pure, x_values.size - levels.size),
        confidence,
        float(np.sum(w * (y_values - y_values.mean()) ** 2)),
    )


def _f_test(
    name: str,
    numerator: tuple[float, int],
    denominator: tuple[float, int],
    confidence: float,
    total: float,
) -> FTest:
    check_confidence(confidence)
    (above, dof_above), (below, dof_below) = numerator, denominator
    rounding = 1e-24 * total  # squares below this are the rounding of the arithmetic, not data
    above, below = (0.0 if above <= rounding else above), max(below, rounding)
    statistic = (above / dof_above) / (below / dof_below) if above > 0 else 0.0
    critical = float(stats.f.ppf(confidence, dof_above, dof_below))
    return FTest(
        name=name,
        statistic=statistic,
        critical=critical,
        p_value=float(stats.f.sf(statistic, dof_above, dof_below)),
        degrees_of_freedom=(dof_above, dof_below),
        confidence=confidence,
        passed=statistic <= critical,
    )
