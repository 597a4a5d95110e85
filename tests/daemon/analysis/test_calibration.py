"""External calibration against published worked examples, and the calibration as a document."""

from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from luggin.daemon.analysis.calibration import calibrate, check, concentration, levels, points, quality
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Measured
from luggin.daemon.analysis.rounding import rounded
from luggin.protocol.evaluation.quantification_results import Calibration, Standards


def document(levels: dict[float, list[float]], **changes: Any) -> dict[str, Any]:
    """Standards of an invented water laboratory."""
    plain: dict[str, Any] = {
        "name": "paracetamol-carbon-electrode",
        "analyte": "paracetamol",
        "method": "column-effluent-differential-pulse",
        "electrode": "carbon paste 3",
        "signal": "peak height",
        "signal_unit": "A",
        "standards": [{"concentration": x, "signals": y} for x, y in levels.items()],
    }
    return plain | changes


def calibration(levels: dict[float, list[float]], **changes: Any) -> Calibration:
    return calibrate(Standards.model_validate(document(levels, **changes)))


# EURACHEM/CITAC Guide CG 4 (QUAM:2012), example A5, tables A5.2 and A5.3: cadmium released from ceramic ware, mg/L
# and absorbance.  Absorbances from memory of the source; line, result and uncertainty as published.
EURACHEM = {
    0.1: [0.028, 0.029, 0.029],
    0.3: [0.084, 0.083, 0.081],
    0.5: [0.135, 0.131, 0.133],
    0.7: [0.180, 0.181, 0.183],
    0.9: [0.215, 0.230, 0.216],
}


def test_eurachem_a5() -> None:
    fitted = calibration(EURACHEM)
    line = fitted.line
    assert line.slope == pytest.approx(0.2410, abs=5e-5)
    assert line.slope_sd == pytest.approx(0.0050, abs=5e-5)
    assert line.intercept == pytest.approx(0.0087, abs=5e-5)
    assert line.intercept_sd == pytest.approx(0.0029, abs=5e-5)
    # Two measurements of the leachate; the guide gives c0 = 0.26 mg/L with u = 0.018 mg/L.
    result = concentration(fitted, [0.0714, 0.0714], interval="s_x0")
    assert result.value == pytest.approx(0.26, abs=0.005)
    assert result.standard_uncertainty == pytest.approx(0.018, abs=5e-4)
    assert str(rounded(result.value, result.standard_uncertainty or 0)) == "0.260 ± 0.018"


# Harvey, Analytical Chemistry 2.1 (open textbook), examples 5.4.1 to 5.4.4; figures from memory of the source.
HARVEY = {0.0: [0.00], 0.1: [12.36], 0.2: [24.83], 0.3: [35.91], 0.4: [48.79], 0.5: [60.42]}


def test_harvey_calibration() -> None:
    fitted = calibration(HARVEY)
    assert fitted.line.slope == pytest.approx(120.706, abs=5e-4)
    assert fitted.line.intercept == pytest.approx(0.209, abs=5e-4)
    assert fitted.line.residual_sd == pytest.approx(0.4035, abs=5e-4)
    result = concentration(fitted, [29.32, 29.16, 29.51], interval="s_x0")
    assert result.value == pytest.approx(0.241, abs=5e-4)
    assert result.standard_uncertainty == pytest.approx(0.0024, abs=5e-5)
    assert result.upper is not None
    assert result.upper - result.value == pytest.approx(0.007, abs=5e-4)
    assert "s_x0" in result.method


def test_harvey_cadmium_by_voltammetry() -> None:
    # Problem 5.8 and its solution (read in a copy of the book's solutions): nM against nA at pH 4.6.
    x = [15.4, 30.4, 44.9, 59.0, 72.7, 86.0]
    y = [4.8, 11.4, 18.2, 26.6, 32.3, 37.7]
    line = calibration({a: [b] for a, b in zip(x, y, strict=True)}).line
    assert line.slope == pytest.approx(0.477, abs=5e-4)
    assert line.intercept == pytest.approx(-2.69, abs=5e-3)
    assert line.residual_sd == pytest.approx(0.7550, abs=5e-4)


DIN = {
    0.05: [3060.0], 0.10: [3522.0], 0.15: [3707.0], 0.20: [4280.0], 0.25: [5058.0],
    0.30: [5510.0], 0.35: [5703.0], 0.40: [6205.0], 0.45: [7156.0], 0.50: [7178.0],
}  # fmt: skip


def test_din_32645_confidence_interval_of_a_result() -> None:
    # DIN 32645 example evaluated for y = 3500 at 99 %: half-width 0.074 (as cited by the R package chemCal).
    result = concentration(calibration(DIN), [3500.0], interval="s_x0", confidence=0.99)
    assert result.upper is not None
    assert result.upper - result.value == pytest.approx(0.074, abs=5e-4)


def test_fieller_solves_the_prediction_band() -> None:
    fitted = calibration(EURACHEM)
    result = concentration(fitted, [0.0714, 0.0700], confidence=0.99)
    line = fitted.line
    assert result.lower is not None
    assert result.upper is not None
    assert line.residual_sd is not None
    # Where the band of the mean of two new signals (scipy and statsmodels know only one) meets their mean.
    t = 3.01227584  # Student's t(0.995, 13), standard table: 3.012
    for bound, sign in ((result.lower, 1), (result.upper, -1)):
        half = t * line.residual_sd * np.sqrt(1 / 2 + 1 / 15 + (bound - line.x_mean) ** 2 / line.sxx)
        assert float(line.at(bound)) + sign * half == pytest.approx(0.0707, abs=1e-8)


def test_single_replicate_band_agrees_with_statsmodels() -> None:
    fitted = calibration(HARVEY)
    x, y = points(fitted)
    model = sm.OLS(y, sm.add_constant(x)).fit()
    result = concentration(fitted, [30.0])
    assert result.lower is not None
    band = model.get_prediction([[1.0, result.lower]]).summary_frame(alpha=0.05)
    assert float(band["obs_ci_upper"].iloc[0]) == pytest.approx(30.0, rel=1e-9)


def test_blank_carried_through_the_procedure_is_subtracted() -> None:
    fitted = calibration(HARVEY)
    result = concentration(fitted, [36.2], blank_signals=[2.0, 2.2, 1.8], interval="s_x0")
    assert result.value == pytest.approx(34.2 / fitted.line.slope)
    sd, slope_sd = fitted.line.residual_sd, fitted.line.slope_sd
    assert sd is not None
    assert slope_sd is not None
    spread = sd**2 * (1 + 1 / 3) + (result.value * slope_sd) ** 2
    assert result.standard_uncertainty == pytest.approx(spread**0.5 / fitted.line.slope)


def test_dilution_scales_and_adds_its_own_uncertainty() -> None:
    fitted = calibration(HARVEY)
    plain = concentration(fitted, [29.3])
    exact = concentration(fitted, [29.3], dilution=10)
    uncertain = concentration(fitted, [29.3], dilution=Measured(10, 0.1))
    assert exact.value == pytest.approx(10 * plain.value)
    assert exact.lower == pytest.approx(10 * (plain.lower or 0))
    assert uncertain.standard_uncertainty == pytest.approx(
        np.hypot(10 * (plain.standard_uncertainty or 0), plain.value * 0.1)
    )
    assert "dilution" in uncertain.method


def test_weighting_narrows_the_interval_at_the_low_end() -> None:
    rng = np.random.default_rng(5)
    levels = {x: list(x * (1 + rng.normal(0, 0.03, 4))) for x in (1.0, 2.0, 5.0, 10.0, 50.0, 100.0)}
    plain = concentration(calibration(levels), [1.5])
    weighted = concentration(calibration(levels, weighting="1/x2"), [1.5])
    by_scatter = concentration(calibration(levels, weighting="1/s2"), [1.5])
    assert (weighted.standard_uncertainty or 0) < (plain.standard_uncertainty or 0) / 10
    assert (by_scatter.standard_uncertainty or 0) < (plain.standard_uncertainty or 0) / 10
    assert weighted.standard_uncertainty == pytest.approx(0.03 * 1.5, rel=0.5)


@pytest.mark.parametrize(
    ("levels", "weighting", "says"),
    [
        ({0.0: [1, 2, 1], 1.0: [3, 4, 3], 2.0: [5, 6, 5]}, "1/x", "above zero"),
        ({0.0: [1, 2], 1.0: [3, 4], 2.0: [5, 6]}, "1/s2", "at least 3 replicates"),
        ({0.0: [1, 1, 1], 1.0: [3, 4, 3], 2.0: [5, 6, 5]}, "1/s2", "are equal"),
        ({0.0: [1, 1, 1], 1.0: [1, 1, 1], 2.0: [1, 1, 1]}, "none", "a signal that changes"),
    ],
)
def test_what_cannot_be_calibrated_is_said(levels: Any, weighting: str, says: str) -> None:
    with pytest.raises(AnalysisError, match=says):
        calibration(levels, weighting=weighting)


def test_a_slope_lost_in_noise_gives_no_interval() -> None:
    noisy = calibration({0.0: [1.0], 1.0: [0.2], 2.0: [1.1]})
    with pytest.raises(AnalysisError, match="cannot be told from zero"):
        concentration(noisy, [0.9])


def test_outside_the_range_and_below_the_decision_limit_are_remarked() -> None:
    fitted = calibration(HARVEY)
    assert "outside the calibrated range" in concentration(fitted, [80.0]).warnings[0]
    assert "not detected" in concentration(fitted, [0.5]).warnings[0]
    assert concentration(fitted, [29.3]).warnings == ()


def test_quality_finds_curvature_and_a_stray_replicate() -> None:
    curved = {x: [x - 0.08 * x**2 + e for e in (0.001, -0.001, 0.0005)] for x in (0.0, 1.0, 2.0, 3.0, 4.0)}
    report = quality(calibration(curved))
    assert report.mandel is not None
    assert report.lack_of_fit is not None
    assert not report.mandel.passed
    assert not report.lack_of_fit.passed
    assert any("Not a straight line" in warning for warning in report.warnings)
    stray = {0.0: [0.0, 0.01, 0.02, 0.01], 1.0: [1.0, 1.01, 1.5, 1.005], 2.0: [2.0, 2.01, 1.99, 2.005]}
    assert any("Replicate 3 at 1" in warning for warning in quality(calibration(stray)).warnings)


def test_a_calibration_survives_json_and_knows_its_runs() -> None:
    plain = document({})
    plain["standards"] = [
        {"concentration": 0.0, "signals": [1e-9], "runs": ["run-1"]},
        {"concentration": 0.01, "signals": [2e-7, 2.1e-7], "runs": ["run-2", "run-3"]},
        {"concentration": 0.02, "signals": [4e-7], "runs": ["run-4", "run-2"]},
    ]
    fitted = calibrate(Standards.model_validate(plain))
    assert list(levels(fitted)) == pytest.approx([0, 0.01, 0.02])
    again = Calibration.model_validate_json(fitted.model_dump_json())
    assert again == fitted
    assert again.runs == ("run-1", "run-2", "run-3", "run-4")


def test_a_line_that_was_edited_is_found_out() -> None:
    plain = calibration(HARVEY).model_dump(mode="json")
    check(Calibration.model_validate(plain))
    plain["line"]["slope"] *= 1.01
    with pytest.raises(AnalysisError, match="calibrate again"):
        check(Calibration.model_validate(plain))
