"""Standard addition against open-textbook examples, and what may go wrong with it."""

import numpy as np
import pytest

from luggin.daemon.analysis.addition import standard_addition
from luggin.daemon.analysis.errors import AnalysisError


def test_harvey_single_addition() -> None:
    # Harvey, Analytical Chemistry 2.1, example 5.3.2: lead in blood, both diluted to 5.00 mL; 1.33 ppb.
    result = standard_addition([0.0, 1.00e-3 * 1560 / 1.00], [[0.193], [0.419]])
    assert result.concentration.value == pytest.approx(1.33, abs=5e-3)
    assert result.concentration.lower is None
    assert any("single addition" in warning for warning in result.concentration.warnings)


def test_harvey_several_additions() -> None:
    # Harvey, example 5.3.5: S = 0.266 + 312 V (V in mL), 1.00 mL sample, 1560 ppb standard; 1.33 ppb.
    volumes = np.array([0.0, 1e-3, 2e-3, 3e-3])
    result = standard_addition(volumes * 1560 / 1.00, [[0.266 + 312 * v] for v in volumes])
    assert result.concentration.value == pytest.approx(1.33, abs=5e-3)


# Miller & Miller, Statistics and Chemometrics for Analytical Chemistry, example 5.8.1: silver in photographic
# waste by atomic absorption, ug/mL added against absorbance; x-intercept 17.3 with s = 0.749 and 95 % interval
# 17.3 +- 1.9 (from memory of the source, which rounds on the way; the line is reproduced).
SILVER_ADDED = [0.0, 5, 10, 15, 20, 25, 30]
SILVER = [[0.32], [0.41], [0.52], [0.60], [0.70], [0.77], [0.89]]


def test_miller_silver() -> None:
    result = standard_addition(SILVER_ADDED, SILVER, interval="s_x0")
    assert result.line.intercept == pytest.approx(0.3218, abs=5e-5)
    assert result.line.slope == pytest.approx(0.0186, abs=5e-5)
    assert result.concentration.value == pytest.approx(17.3, abs=0.05)
    assert result.concentration.standard_uncertainty == pytest.approx(0.749, abs=2e-3)
    assert result.concentration.upper is not None
    assert result.concentration.upper - result.concentration.value == pytest.approx(1.9, abs=0.05)
    assert "s_x0" in result.concentration.method


def test_fieller_is_where_the_confidence_band_crosses_zero() -> None:
    result = standard_addition(SILVER_ADDED, SILVER)
    line = result.line
    assert line.residual_sd is not None
    assert result.concentration.lower is not None
    assert result.concentration.upper is not None
    for bound, sign in ((result.concentration.upper, 1), (result.concentration.lower, -1)):
        at = -bound
        half = 2.5705818 * line.residual_sd * np.sqrt(1 / 7 + (at - line.x_mean) ** 2 / line.sxx)
        assert float(line.at(at)) + sign * half == pytest.approx(0, abs=1e-8)
    assert "Fieller" in result.concentration.method
    upper, lower = result.concentration.upper, result.concentration.lower
    assert upper - result.concentration.value > result.concentration.value - lower


def test_volume_and_blank_are_corrected_exactly() -> None:
    # 10 mL sample of 0.02 mol/m3 with 10 mL electrolyte, additions of 0.5 mL: without correction 4 % low and curved.
    spikes = np.arange(5) * 0.5e-6
    ratio = (20e-6 + spikes) / 10e-6
    added = spikes * 1.0 / 10e-6
    signals = [[3e-9 + 2e-6 * (0.02 + a) / r] for a, r in zip(added, ratio, strict=True)]
    right = standard_addition(added, signals, volume_ratio=ratio, blank_signals=[3e-9], dilution=5)
    assert right.concentration.value == pytest.approx(0.1, rel=1e-9)
    unblanked = standard_addition(added, signals, volume_ratio=ratio, dilution=5)
    assert unblanked.concentration.value > 0.11
    uncorrected = standard_addition(added, signals, blank_signals=[3e-9], dilution=5)
    assert abs(uncorrected.concentration.value / 0.1 - 1) > 0.01


def test_the_blank_adds_to_the_uncertainty() -> None:
    rng = np.random.default_rng(3)
    signals = [list(1 + a + rng.normal(0, 0.02, 3)) for a in (0, 1, 2, 3)]
    one = standard_addition([0, 1, 2, 3], signals, blank_signals=[0.1])
    many = standard_addition([0, 1, 2, 3], signals, blank_signals=[0.1] * 100)
    none = standard_addition([0, 1, 2, 3], signals)
    assert (one.concentration.standard_uncertainty or 0) > 1.3 * (many.concentration.standard_uncertainty or 1)
    assert many.concentration.standard_uncertainty == pytest.approx(none.concentration.standard_uncertainty, rel=0.05)


def test_weighting_by_scatter() -> None:
    rng = np.random.default_rng(4)
    signals = [list((1 + a) * (1 + rng.normal(0, 0.01, 5))) for a in (0, 1, 2, 4)]
    result = standard_addition([0, 1, 2, 4], signals, weighting="1/s2")
    assert result.concentration.value == pytest.approx(1, abs=0.05)
    assert result.weighting == "1/s2"


def test_doubtful_additions_are_remarked() -> None:
    small = standard_addition([0, 0.1, 0.2, 0.3], [[1.0], [1.1], [1.19], [1.31]])
    assert any("smaller than what the sample holds" in warning for warning in small.concentration.warnings)
    late = standard_addition([1, 2, 3], [[2.0], [3.01], [4.0]])
    assert any("without addition was not measured" in warning for warning in late.concentration.warnings)
    saturating = standard_addition([0, 1, 2, 3, 4], [[v] for v in (1.0, 1.8, 2.4, 2.8, 3.0)])
    assert any("curved" in warning for warning in saturating.concentration.warnings)
    below = standard_addition([0, 1, 2], [[0.05], [1.05], [2.05]], blank_signals=[0.1])
    assert any("below zero" in warning for warning in below.concentration.warnings)


def test_a_cathodic_signal_works_as_well() -> None:
    result = standard_addition([0, 1, 2], [[-1.0], [-2.01], [-3.0]])
    assert result.concentration.value == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize(
    ("added", "signals", "says"),
    [
        ([0.0, 1.0], [[1.0]], "2 levels and 1 sets"),
        ([0.0, 0.0, 0.0], [[1.0], [1.1], [1.2]], "at least two different"),
        ([0.0, 1.0, 2.0], [[1.0], [1.0], [1.0]], "does not grow"),
        ([0.0, 1.0, 2.0], [[3.0], [2.0], [1.0]], "does not grow"),
        ([0.0, -1.0], [[1.0], [2.0]], "cannot be negative"),
        ([0.0, 1.0], [[1.0], []], r"signals\[1\] has 0 values"),
        ([0.0, 1.0, 2.0, 3.0], [[1.0], [3.0], [1.2], [3.1]], "cannot be told from zero"),
    ],
)
def test_nothing_to_extrapolate(added: list[float], signals: list[list[float]], says: str) -> None:
    with pytest.raises(AnalysisError, match=says):
        standard_addition(added, signals)
