"""Straight lines by weighted least squares, with what later steps need of them."""

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, all_positive, floats, pair, same_length
from luggin.daemon.analysis.errors import AnalysisError
from luggin.protocol.evaluation.statistics import Line


def fit_line(
    x: ArrayLike, y: ArrayLike, *, weights: ArrayLike | None = None, x_name: str = "x", y_name: str = "y"
) -> Line:
    """Fit a straight line; `x`, `y`, `weights` have shape (n,); a weight is proportional to 1/variance.

    Draper & Smith, Applied Regression Analysis, ch. 1; checked against NIST StRD Norris and statsmodels.
    Raises AnalysisError for fewer than two points or when all x are the same.
    """
    x_values, y_values = pair(x_name, x, y_name, y, at_least=2)
    w = scaled_weights(x_values, weights)
    total = float(x_values.size)
    x_mean, y_mean = float(w @ x_values / total), float(w @ y_values / total)
    dx, dy = x_values - x_mean, y_values - y_mean
    sxx, sxy, syy = float(w @ dx**2), float(w @ (dx * dy)), float(w @ dy**2)
    if sxx <= (1e-12 * float(np.max(np.abs(x_values)))) ** 2 or np.ptp(x_values) == 0:
        raise AnalysisError(
            f"{x_name} is {x_values[0]:.6g} at every point; a line needs at least two different values."
        )
    slope = sxy / sxx if np.ptp(y_values) > 0 else 0.0
    residuals = dy - slope * dx
    squares = float(w @ residuals**2)
    dof = x_values.size - 2
    residual_sd = (squares / dof) ** 0.5 if dof > 0 else None
    return Line(
        slope=slope,
        intercept=y_mean - slope * x_mean,
        slope_sd=None if residual_sd is None else residual_sd / sxx**0.5,
        intercept_sd=None if residual_sd is None else residual_sd * (1 / total + x_mean**2 / sxx) ** 0.5,
        residual_sd=residual_sd,
        degrees_of_freedom=dof,
        r_squared=1 - squares / syy if syy > 0 else 0.0,
        points=x_values.size,
        x_mean=x_mean,
        y_mean=y_mean,
        sxx=sxx,
        x_min=float(x_values.min()),
        x_max=float(x_values.max()),
    )


def scaled_weights(x: Floats, weights: ArrayLike | None) -> Floats:
    """Weights scaled to a mean of 1; all 1 for None."""
    if weights is None:
        return np.ones_like(x)
    w = floats("weights", weights)
    same_length("weights", w, "x", x)
    all_positive("weights", w)
    return np.asarray(w / w.mean())


__all__ = ["Line", "fit_line", "scaled_weights"]
