"""Tests of linearity against a reference library that compares nested models."""

import numpy as np
import pytest
import statsmodels.api as sm

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.linearity import lack_of_fit, mandel

RNG = np.random.default_rng(8466)
X = np.repeat([1.0, 2, 3, 5, 8], 3)
Y = 2 + 3 * X - 0.02 * X**2 + RNG.normal(0, 0.2, X.size)
WEIGHTS = 1 / X


@pytest.mark.parametrize("weights", [None, WEIGHTS])
def test_mandel_is_the_f_test_of_the_quadratic_term(weights: np.ndarray | None) -> None:
    w = np.ones_like(X) if weights is None else weights
    straight = sm.WLS(Y, sm.add_constant(X), weights=w).fit()
    parabola = sm.WLS(Y, np.column_stack([np.ones_like(X), X, X**2]), weights=w).fit()
    f, p, _ = parabola.compare_f_test(straight)
    test = mandel(X, Y, weights=weights)
    assert (test.statistic, test.p_value) == pytest.approx((f, p), rel=1e-8)
    assert test.degrees_of_freedom == (1, 12)
    assert test.critical == pytest.approx(9.33, abs=5e-3)  # F(0.99; 1, 12), standard table


def test_lack_of_fit_is_the_f_test_of_free_level_means() -> None:
    straight = sm.OLS(Y, sm.add_constant(X)).fit()
    free = sm.OLS(Y, (X[:, None] == np.unique(X)).astype(float)).fit()
    f, p, _ = free.compare_f_test(straight)
    test = lack_of_fit(X, Y)
    assert (test.statistic, test.p_value) == pytest.approx((f, p), rel=1e-8)
    assert test.critical == pytest.approx(3.71, abs=5e-3)  # F(0.95; 3, 10), standard table


def test_exact_lines_pass_and_exact_curves_fail() -> None:
    x = np.arange(6.0)
    assert mandel(x, 1e-9 + 1e-6 * x).passed
    assert not mandel(x, x**2).passed


def test_what_cannot_be_tested_is_said() -> None:
    with pytest.raises(AnalysisError, match="at least 4"):
        mandel([1, 2, 3], [1, 2, 3])
    with pytest.raises(AnalysisError, match="three different"):
        mandel([1, 1, 2, 2], [1, 2, 3, 4])
    with pytest.raises(AnalysisError, match="needs replicates"):
        lack_of_fit([1, 2, 3, 4], [1, 2, 3, 4])
