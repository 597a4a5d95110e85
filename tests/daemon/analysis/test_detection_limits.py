"""Limits of decision, detection and quantification against the published examples of their definitions."""

import numpy as np
import pytest

from luggin.daemon.analysis.detection_limits import din_32645, din_32645_blank, ich_q2, iso_11843
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.regression import fit_line

# DIN 32645 example (carbon in water), as distributed with the R packages chemCal and envalysis.
X = np.arange(1, 11) * 0.05
Y = [3060, 3522, 3707, 4280, 5058, 5510, 5703, 6205, 7156, 7178]
BLANKS = [2003, 1901, 2212, 1976, 2279, 1853, 2165, 2108, 2368, 1943]
LINE = fit_line(X, Y)


def test_din_32645_calibration_line() -> None:
    limits = din_32645(LINE, alpha=0.01, k=3)
    assert limits.decision == pytest.approx(0.0698, abs=5e-5)
    assert limits.decision == pytest.approx(0.0698127, abs=5e-7)  # chemCal
    assert limits.detection == pytest.approx(0.14, abs=5e-3)
    assert limits.quantification == pytest.approx(0.212, abs=5e-4)
    assert "DIN 32645" in limits.definition


def test_din_32645_blank_method() -> None:
    assert din_32645_blank(BLANKS, LINE.slope).decision == pytest.approx(0.053, abs=5e-4)  # envalysis


def test_iso_11843_uses_the_noncentral_t_distribution() -> None:
    limits = iso_11843(LINE)
    assert limits.decision is not None
    # Minimum detectable value of chemCal, which solves for alpha = beta = 0.05 on the prediction bands: 0.0866.
    assert limits.detection == pytest.approx(0.0866, abs=2e-3)
    assert limits.detection / limits.decision == pytest.approx(1.95, abs=0.03)
    # Currie, Pure Appl. Chem. 67 (1995) 1699: delta = 4.067 for 4 degrees of freedom (from memory of the source).
    small = fit_line([0, 1, 2, 3, 4, 5], [0.1, 0.9, 2.1, 2.9, 4.2, 4.9])
    four = iso_11843(small)
    assert four.decision is not None
    assert four.detection / four.decision * 2.1318 == pytest.approx(4.067, abs=1e-3)


def test_iso_11843_keeps_its_error_probabilities() -> None:
    rng = np.random.default_rng(11843)
    x, sd, repeats = np.tile(np.arange(5.0), 2), 0.1, 2000
    missed = false = 0
    for _ in range(repeats):
        line = fit_line(x, x + rng.normal(0, sd, x.size))
        limits = iso_11843(line)
        assert limits.decision is not None
        assert line.residual_sd is not None
        detectable = limits.detection * line.slope / line.residual_sd * sd  # with the true slope and scatter
        false += (rng.normal(0, sd) - line.intercept) / line.slope > limits.decision
        missed += (detectable + rng.normal(0, sd) - line.intercept) / line.slope < limits.decision
    assert false / repeats == pytest.approx(0.05, abs=0.015)
    assert missed / repeats == pytest.approx(0.05, abs=0.015)


def test_ich_q2_names_its_standard_deviation() -> None:
    assert ich_q2(LINE).detection == pytest.approx(0.0657, abs=5e-5)
    assert ich_q2(LINE).quantification == pytest.approx(0.0657 * 10 / 3.3, abs=2e-4)
    by_intercept, by_blank = ich_q2(LINE, sigma="intercept"), ich_q2(LINE, blank_signals=BLANKS)
    assert by_intercept.detection == pytest.approx(3.3 * (LINE.intercept_sd or 0) / LINE.slope)
    assert by_blank.detection == pytest.approx(3.3 * float(np.std(BLANKS, ddof=1)) / LINE.slope)
    for limits, word in ((ich_q2(LINE), "residual"), (by_intercept, "intercept"), (by_blank, "blank")):
        assert word in limits.definition


def test_more_measurements_lower_the_limits() -> None:
    one, five = din_32645(LINE), din_32645(LINE, measurements=5)
    assert one.decision is not None
    assert five.decision is not None
    assert five.decision < one.decision
    assert (five.quantification or 1) < (one.quantification or 0)


def test_limits_without_scatter_or_slope_are_refused() -> None:
    exact = fit_line([0, 1, 2], [0, 1, 2])
    with pytest.raises(AnalysisError, match="without scatter"):
        din_32645(exact)
    with pytest.raises(AnalysisError, match="two points"):
        ich_q2(fit_line([0, 1], [0, 1]))
    with pytest.raises(AnalysisError, match="slope 0"):
        iso_11843(fit_line([0, 1, 2], [1, 1, 1]))
    with pytest.raises(AnalysisError, match="scatters too much"):
        din_32645(fit_line([0, 1, 2, 3], [0, 2, 1, 3]))
    with pytest.raises(AnalysisError, match="between 0 and 0"):
        din_32645(LINE, alpha=0.7)
    with pytest.raises(AnalysisError, match="measurements is 0"):
        din_32645(LINE, measurements=0)
    with pytest.raises(AnalysisError, match="without scatter"):
        din_32645_blank([1, 1, 1], 2.0)
