"""Honest uncertainty for a line through a time series, whose neighbouring points share part of their error."""

import numpy as np
from scipy import fft, optimize

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.estimate import Measured
from luggin.daemon.analysis.regression import Line


def widened(line: Line, x: Floats, y: Floats) -> tuple[Measured, Measured]:
    """Slope and intercept of `line` through `x`, `y` (n,) in order of time, for residuals of first order.

    With the correlation r of neighbouring residuals n points count as n (1 - r) / (1 + r) (Bayley & Hammersley,
    J. R. Stat. Soc. Suppl. 8 (1946) 184): standard deviations grow and degrees of freedom shrink accordingly.
    """
    slope, intercept = line.measured_slope, line.measured_intercept
    if line.degrees_of_freedom < 3 or line.residual_sd is None:
        return slope, intercept
    residuals = y - line.at(x)
    squares = float(residuals @ residuals)
    if squares == 0:
        return slope, intercept
    r = float(residuals[1:] @ residuals[:-1]) / squares
    if r <= 0:
        return slope, intercept
    share = (1 - r) / (1 + r)
    dof = max(line.points * share - 2, 1.0)
    return (
        Measured(slope.value, slope.standard_uncertainty / share**0.5, dof),
        Measured(intercept.value, intercept.standard_uncertainty / share**0.5, dof),
    )


def accumulated(line: Line, x: Floats, y: Floats) -> tuple[Measured, Measured]:
    """Slope and intercept of `line` when y (n,) is an integral, sampled evenly, that sums up the noise it integrates.

    The error of y is taken as a random walk plus white noise.  The covariance of its differences is tridiagonal, so
    a sine transform makes them independent with variances q + 4 w sin2(pi j / 2n); restricted maximum likelihood
    finds the two shares.  The ordinary least-squares line is kept and its variance propagated from them.
    In simulations the 95 % interval held the truth 92 to 97 times in 100 where either share dominates, but only
    80 to 90 times where they balance, because the data then tell the shares badly apart.
    """
    slope, intercept = line.measured_slope, line.measured_intercept
    if line.degrees_of_freedom < 3 or not line.residual_sd:
        return slope, intercept
    n = line.points
    steps = fft.dst(np.diff(x), type=1, norm="ortho"), fft.dst(np.diff(y - line.at(x)), type=1, norm="ortho")
    roughness = 4 * np.sin(np.arange(1, n) * np.pi / (2 * n)) ** 2

    def squares(log_share: float) -> tuple[float, float]:
        """Sum of squares of the transformed residuals, and minus twice the log likelihood."""
        share = 10**log_share
        spread = share + (1 - share) * roughness
        xx, xy, yy = (float(np.sum(a * b / spread)) for a, b in ((steps[0],) * 2, steps, (steps[1],) * 2))
        left = max(yy - xy**2 / xx, np.finfo(float).tiny)
        return left, (n - 2) * np.log(left) + float(np.sum(np.log(spread))) + np.log(xx)

    best = float(optimize.minimize_scalar(lambda share: squares(share)[1], bounds=(-8, 0), method="bounded").x)
    variance = squares(best)[0] / (n - 2)
    walk, white = variance * 10**best, variance * (1 - 10**best)
    of_slope = (x - line.x_mean) / line.sxx
    of_intercept = 1 / n - line.x_mean * of_slope

    def uncertainty(weights: Floats) -> float:
        later = np.cumsum(weights[::-1])
        return float(np.sqrt(walk * (later @ later) + white * (weights @ weights)))

    dof = float(line.degrees_of_freedom)
    return (
        Measured(slope.value, uncertainty(of_slope), dof),
        Measured(intercept.value, uncertainty(of_intercept), dof),
    )
