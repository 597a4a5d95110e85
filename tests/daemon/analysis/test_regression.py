"""Straight lines against certified values and reference libraries."""

from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Measured, power_law, student, symmetric
from luggin.daemon.analysis.regression import fit_line

# NIST Statistical Reference Datasets, Norris (ozone monitors); data and certified values as distributed in the
# test suites of scipy and of the GNU Scientific Library.
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
    11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1,
    448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
    10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4,
    449.2, 0.2,
]  # fmt: skip


def test_norris_to_ten_digits() -> None:
    line = fit_line(NORRIS_X, NORRIS_Y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-10)
    assert line.slope_sd == pytest.approx(4.29796848199937e-4, rel=1e-10)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-10)
    assert line.degrees_of_freedom == 34


def test_weighted_line_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(20)
    x = np.linspace(0.5, 20, 15)
    y = 3 + 2 * x + x * rng.normal(0, 0.05, x.size)
    weights = 1 / x**2
    line = fit_line(x, y, weights=weights)
    reference = sm.WLS(y, sm.add_constant(x), weights=weights / weights.mean()).fit()
    assert [line.intercept, line.slope] == pytest.approx(reference.params, rel=1e-10)
    assert [line.intercept_sd, line.slope_sd] == pytest.approx(reference.bse, rel=1e-10)
    assert line.residual_sd == pytest.approx(reference.mse_resid**0.5, rel=1e-10)
    assert line.r_squared == pytest.approx(reference.rsquared, rel=1e-10)


def test_only_ratios_of_weights_matter() -> None:
    x, y, w = [1.0, 2, 3, 4], [2.0, 4.1, 5.8, 8.2], np.array([4.0, 3, 2, 1])
    assert fit_line(x, y, weights=w).model_dump() == pytest.approx(fit_line(x, y, weights=1e6 * w).model_dump())


def test_two_points_give_a_line_without_uncertainty() -> None:
    line = fit_line([0, 1], [1, 3])
    assert (line.slope, line.intercept, line.slope_sd, line.residual_sd) == (2, 1, None, None)


@pytest.mark.parametrize(
    ("nu", "table"), [(1, 12.706), (2, 4.303), (3, 3.182), (4, 2.776), (5, 2.571), (10, 2.228), (20, 2.086)]
)
def test_student_quantiles_of_the_standard_table(nu: int, table: float) -> None:
    assert student(0.95, nu) == pytest.approx(table, abs=5e-4)


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [
        ([1.0], [1.0], "at least 2 are needed"),
        ([2.0, 2, 2], [1.0, 2, 3], "at least two different values"),
        ([1.0, 2], [1.0, 2, 3], "x has 2 values and y has 3"),
        ([1.0, np.nan], [1.0, 2], r"x\[1\] is nan"),
        (["a", "b"], [1.0, 2], "not a number"),
        ([[1.0, 2]], [1.0, 2], "2 dimensions"),
    ],
)
def test_nothing_to_fit_is_said_in_a_sentence(x: Any, y: Any, says: str) -> None:
    with pytest.raises(AnalysisError, match=says):
        fit_line(x, y)


def test_weights_must_be_positive() -> None:
    with pytest.raises(AnalysisError, match=r"weights\[1\] is 0"):
        fit_line([1, 2, 3], [1, 2, 3], weights=[1, 0, 1])


def test_welch_satterthwaite_of_the_gum() -> None:
    # GUM (JCGM 100:2008) G.4.1, example: y = b x1 x2 x3, relative uncertainties 0.25, 0.57, 0.82 % with
    # n = 10, 5, 15 readings give 1.03 % and 19 degrees of freedom (from memory of the source; reproduced).
    factors = [(Measured(1.0, 0.0025, 9), 1.0), (Measured(1.0, 0.0057, 4), 1.0), (Measured(1.0, 0.0082, 14), 1.0)]
    estimate = power_law(1.0, factors, 0.95, "product")
    assert estimate.standard_uncertainty == pytest.approx(0.0103, abs=5e-5)
    assert estimate.degrees_of_freedom == pytest.approx(19.0, abs=0.05)


def test_exact_uncertainty_uses_the_normal_distribution() -> None:
    estimate = symmetric(10.0, 1.0, np.inf, 0.95, "known")
    assert estimate.degrees_of_freedom is None
    assert estimate.upper == pytest.approx(11.95996, abs=1e-5)


def test_confidence_must_be_a_level() -> None:
    with pytest.raises(AnalysisError, match="between 0 and 1"):
        student(95, 3)
