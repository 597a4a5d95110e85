"""Outlier tests against published tables and examples."""

import numpy as np
import pytest

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.outliers import dixon, grubbs, outlier_test


def sample(n: int) -> np.ndarray:
    return np.random.default_rng(n).normal(size=n)


@pytest.mark.parametrize(
    ("n", "table"),
    [(3, 1.15), (4, 1.48), (5, 1.71), (6, 1.89), (7, 2.02), (8, 2.13), (9, 2.21), (10, 2.29), (12, 2.41), (20, 2.71)],
)
def test_grubbs_critical_values(n: int, table: float) -> None:
    # Upper 2.5 % points, Grubbs 1969 as tabulated after DIN 38402; the table truncates some last digits.
    assert grubbs(sample(n)).critical == pytest.approx(table, abs=6e-3)


def test_grubbs_finds_the_stray_uranium_value() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.17.1, after Tietjen & Moore: G = 2.4687 (from memory of the source; reproduced).
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    test = grubbs(values)
    assert test.statistic == pytest.approx(2.4687, abs=1e-4)
    assert (test.outlier, test.index, test.value) == (True, 7, 245.57)


@pytest.mark.parametrize(
    ("n", "table"),
    [(3, 0.970), (4, 0.829), (5, 0.710), (6, 0.625), (7, 0.568), (8, 0.526), (9, 0.493), (10, 0.466)],
)
def test_dixon_critical_values(n: int, table: float) -> None:
    # Rorabacher, Anal. Chem. 63 (1991) 139, r10 at 95 % two-sided (from memory of the source); his values are
    # interpolated and known to be off by up to 0.003.
    assert dixon(sample(n)).critical == pytest.approx(table, abs=3e-3)


def test_dixon_has_its_stated_error_rate() -> None:
    rng = np.random.default_rng(10)
    draws = np.sort(rng.normal(size=(20_000, 5)), axis=1)
    gaps = np.maximum(draws[:, 1] - draws[:, 0], draws[:, -1] - draws[:, -2]) / np.ptp(draws, axis=1)
    assert np.mean(gaps > dixon(sample(5)).critical) == pytest.approx(0.05, abs=0.005)


def test_dixon_finds_either_end() -> None:
    assert dixon([0.403, 0.410, 0.401, 0.380]).index == 3
    assert dixon([0.403, 0.410, 0.401, 0.600]).outlier
    # Miller & Miller, Statistics and Chemometrics, example 3.7.1 (nitrite in river water): Q = 0.7, not rejected.
    nitrite = dixon([0.403, 0.410, 0.401, 0.380])
    assert nitrite.statistic == pytest.approx(0.7, abs=1e-9)
    assert not nitrite.outlier


def test_the_number_of_values_chooses_the_test() -> None:
    assert outlier_test(sample(6)).name == "Dixon"
    assert outlier_test(sample(7)).name == "Grubbs"


def test_nothing_to_judge_by() -> None:
    for test in (grubbs, dixon):
        with pytest.raises(AnalysisError, match="no scatter"):
            test([2, 2, 2])
        with pytest.raises(AnalysisError, match="at least 3"):
            test([1, 2])
    with pytest.raises(AnalysisError, match="at most 30"):
        dixon(sample(31))
