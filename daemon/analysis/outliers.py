"""One outlier among replicates: Grubbs' and Dixon's tests.

A test only points: whether a value is left out is decided, and recorded, by a person who looked for its
cause.
"""

import math
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from luggin.daemon.analysis.arrays import floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import check_confidence
from luggin.protocol.evaluation.statistics import OutlierTest

_DIXON_MOST = 30


def outlier_test(values: ArrayLike, *, confidence: float = 0.95) -> OutlierTest:
    """Test with Dixon's Q for 3 to 6 replicates and with Grubbs' G for more (common practice, no source)."""
    array = floats("values", values, at_least=3)
    return dixon(array, confidence=confidence) if array.size < 7 else grubbs(array, confidence=confidence)


def grubbs(values: ArrayLike, *, confidence: float = 0.95) -> OutlierTest:
    """Grubbs' test for one outlier on either side, G = max |x - mean| / s (ISO 5725-2; Grubbs 1969).

    Raises AnalysisError for fewer than three values or when all are equal.
    """
    array = floats("values", values, at_least=3)
    sd = float(array.std(ddof=1))
    if np.ptp(array) == 0:
        raise AnalysisError(f"All values are {array[0]:.6g}; there is no scatter to judge an outlier by.")
    distance = np.abs(array - array.mean())
    index = int(np.argmax(distance))
    n = array.size
    t = float(stats.t.isf((1 - check_confidence(confidence)) / (2 * n), n - 2))
    critical = (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))
    return _verdict("Grubbs", index, float(array[index]), float(distance[index]) / sd, critical, confidence)


def dixon(values: ArrayLike, *, confidence: float = 0.95) -> OutlierTest:
    """Dixon's Q test (r10), Q = gap / range, for one outlier on either side among 3 to 30 values.

    Critical values are computed from the distribution of Q (Dixon, Ann. Math. Stat. 21 (1950) 488) and
    agree with Rorabacher, Anal. Chem. 63 (1991) 139.  Raises AnalysisError for other counts or when all
    values are equal.
    """
    array = floats("values", values, at_least=3)
    if array.size > _DIXON_MOST:
        raise AnalysisError(f"Dixon's test takes at most {_DIXON_MOST} values, not {array.size}; use Grubbs' test.")
    order = np.argsort(array, kind="stable")
    ranked = array[order]
    extent = float(ranked[-1] - ranked[0])
    if extent == 0:
        raise AnalysisError(f"All values are {array[0]:.6g}; there is no scatter to judge an outlier by.")
    low, high = float(ranked[1] - ranked[0]) / extent, float(ranked[-1] - ranked[-2]) / extent
    index = int(order[0] if low > high else order[-1])
    critical = _dixon_critical(array.size, check_confidence(confidence))
    return _verdict("Dixon", index, float(array[index]), max(low, high), critical, confidence)


@cache
def _dixon_critical(n: int, confidence: float) -> float:
    return float(optimize.brentq(lambda q: _dixon_tail(q, n) - (1 - confidence) / 2, 1e-6, 1 - 1e-9, xtol=1e-9))


def _dixon_tail(q: float, n: int) -> float:
    """Probability that the gap at one end exceeds q times the range, for n normal values.

    Given the lowest value u and the highest v, the other n - 2 must lie between u and v - q (v - u);
    integrated over u and v with Gauss-Legendre nodes.
    """
    nodes, weights = np.polynomial.legendre.leggauss(120)
    bound = 8.0
    u = bound * nodes[:, None]
    half = (bound - u) / 2
    v = u + half * (1 + nodes[None, :])
    inner = special.ndtr(v - q * (v - u)) - special.ndtr(u)
    density = np.exp(-(u**2 + v**2) / 2) / (2 * np.pi) * inner ** (n - 2)
    return float(n * (n - 1) * np.sum(bound * weights[:, None] * half * weights[None, :] * density))


def _verdict(name: str, index: int, value: float, statistic: float, critical: float, confidence: float) -> OutlierTest:
    return OutlierTest(
        name=name,
        index=index,
        value=value,
        statistic=statistic,
        critical=critical,
        confidence=confidence,
        outlier=statistic > critical,
    )
