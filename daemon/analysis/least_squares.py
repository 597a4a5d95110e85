"""Nonlinear least squares with the covariance of its parameters, around scipy.optimize.least_squares."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from scipy import optimize

from luggin.daemon.analysis.arrays import Floats

_WORST_CONDITION = 1e10


class Solution(NamedTuple):
    """Parameters (p,), the sum of squares, n - p degrees of freedom, and whether the iteration converged.

    `covariance` (p, p) is scaled by the residual variance; None when the data do not determine all parameters.
    """

    parameters: Floats
    covariance: Floats | None
    squares: float
    degrees_of_freedom: int
    converged: bool


def solve(
    residuals: Callable[[Floats], Floats],
    start: Floats,
    *,
    bounds: tuple[Floats, Floats] | None = None,
    scale: Sequence[float] | float = 1.0,
    evaluations: int | None = None,
) -> Solution:
    """Minimise the sum of squares of `residuals` (n,); the covariance is the usual one, (J'J)^-1 s^2."""
    fit = optimize.least_squares(
        residuals,
        start,
        bounds=(-np.inf, np.inf) if bounds is None else bounds,
        x_scale=scale,
        xtol=1e-10,
        ftol=1e-12,
        gtol=1e-12,
        max_nfev=evaluations,
    )
    parameters = np.asarray(fit.x, dtype=np.float64)
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    squares = 2 * float(fit.cost)
    dof = jacobian.shape[0] - parameters.size
    return Solution(parameters, _covariance(jacobian, squares, dof), squares, dof, bool(fit.success))


def _covariance(jacobian: Floats, squares: float, dof: int) -> Floats | None:
    lengths = np.linalg.norm(jacobian, axis=0)
    if dof < 1 or not np.all(np.isfinite(jacobian)) or np.any(lengths == 0):
        return None
    _, singular, rotation = np.linalg.svd(jacobian / lengths, full_matrices=False)
    if singular[-1] * _WORST_CONDITION < singular[0]:
        return None
    scaled = rotation.T / singular
    covariance = scaled @ scaled.T / np.outer(lengths, lengths)
    return np.asarray(covariance * squares / dof)
