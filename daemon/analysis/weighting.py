"""How the variance of a signal is taken to depend on the concentration."""

from collections.abc import Callable, Sequence

import numpy as np

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.protocol.evaluation.quantification_settings import Weighting

RelativeVariance = Callable[[float], float]


def relative_variance(
    weighting: Weighting, levels: Floats, signals: Sequence[Floats], at_each: Floats
) -> RelativeVariance:
    """Variance of one signal against concentration, scaled so that its inverse averages 1 over `at_each`.

    `levels` (k,) are the concentrations, `signals` their replicates, `at_each` (n,) the concentration of
    every single signal.  "1/x" and "1/x2" take the variance as proportional to x and x2, below the lowest
    level as constant; "1/s2" interpolates the variances found at the levels (Miller & Miller, ch. 5), which
    needs at least three replicates each.  Raises AnalysisError where a weight would be infinite.
    """
    raw = _raw(weighting, levels, signals)
    scale = float(np.mean([1 / raw(float(x)) for x in at_each]))
    return lambda x: raw(x) * scale


def _raw(weighting: Weighting, levels: Floats, signals: Sequence[Floats]) -> RelativeVariance:
    if weighting == "none":
        return lambda _: 1.0
    if weighting == "1/s2":
        return _interpolated(levels, signals)
    lowest = float(levels.min())
    if lowest <= 0:
        raise AnalysisError(
            f'Weighting "{weighting}" needs every concentration above zero, and one is {lowest:.6g}; '
            'use weighting "none" or "1/s2", or leave that level out.'
        )
    exponent = 1 if weighting == "1/x" else 2
    return lambda x: float(max(x, lowest) ** exponent)


def _interpolated(levels: Floats, signals: Sequence[Floats]) -> RelativeVariance:
    fewest = min(replicates.size for replicates in signals)
    if fewest < 3:
        raise AnalysisError(
            f'Weighting "1/s2" needs at least 3 replicates at every level, and one has {fewest}; '
            'measure more or use weighting "none".'
        )
    variances = np.array([replicates.var(ddof=1) for replicates in signals])
    if np.any(variances == 0):
        at = float(levels[int(np.argmin(variances))])
        raise AnalysisError(
            f'Weighting "1/s2" fails because all replicates at {at:.6g} are equal; use weighting "none".'
        )
    order = np.argsort(levels)
    x, v = levels[order], variances[order]
    return lambda at: float(np.interp(at, x, v))
