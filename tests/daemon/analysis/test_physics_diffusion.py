"""Diffusion: published coefficients, closed forms, and uncertainties that hold."""

import math

import numpy as np
import pytest

from luggin.daemon.analysis.diffusion import IRREVERSIBLE_PEAK, REVERSIBLE_PEAK, anson, cottrell, randles_sevcik
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Measured
from luggin.daemon.analysis.faraday import FARADAY, thermal_voltage
from luggin.daemon.analysis.scan_rate_order import scan_rate_order

RATES = np.array([0.02, 0.05, 0.1, 0.2, 0.5])
T = np.arange(1, 201) * 0.01


def holds(estimate: Estimate, truth: float) -> bool:
    assert estimate.lower is not None
    assert estimate.upper is not None
    return estimate.lower <= truth <= estimate.upper


def test_peak_current_functions() -> None:
    # Nicholson & Shain, Anal. Chem. 36 (1964) 706 (from memory of the source); IUPAC, Pure Appl. Chem. 92 (2020) 641
    # gives 0.446 and 0.496.
    assert pytest.approx(0.4463, abs=5e-5) == REVERSIBLE_PEAK
    assert pytest.approx(0.4958, abs=5e-5) == IRREVERSIBLE_PEAK


def test_randles_sevcik_coefficient_of_the_textbooks() -> None:
    # i_p = 2.69e5 n^(3/2) A D^(1/2) c v^(1/2) in A, cm2, cm2/s, mol/cm3, V/s at 25 degC (Bard & Faulkner 6.2.19, from
    # memory of the source): 1 cm2, 1e-5 cm2/s and 1 mmol/L.
    for electrons in (1, 2):
        current = 2.69e5 * electrons**1.5 * 1.0 * math.sqrt(1e-5) * 1e-6 * np.sqrt(RATES)
        result = randles_sevcik(RATES, -current, concentration=1.0, area=1e-4, electrons=electrons)
        assert result.quantity == "diffusion coefficient"
        assert result.value.value == pytest.approx(1e-9, rel=3e-3)
    exact = 2.6865e5 * math.sqrt(1e-5) * 1e-6 * np.sqrt(RATES)
    assert randles_sevcik(RATES, exact, concentration=1.0, area=1e-4).value.value == pytest.approx(1e-9, rel=5e-5)


def test_randles_sevcik_area_and_irreversible_peaks() -> None:
    d, a, alpha = 7.17e-10, 7.07e-6, 0.4  # hexacyanoferrate(III), Baur & Wightman 1991; a 3 mm disk
    i = IRREVERSIBLE_PEAK * FARADAY * a * 1.0 * np.sqrt(alpha * RATES * d / thermal_voltage(298.15))
    result = randles_sevcik(
        RATES, i, concentration=1.0, diffusion_coefficient=d, kind="irreversible", transfer_coefficient=alpha
    )
    assert result.quantity == "electroactive area"
    assert result.value.value == pytest.approx(a, rel=1e-9)
    assert "irreversible" in result.value.method


def test_uncertainty_of_area_and_concentration_enters_squared() -> None:
    i = 2.6865e5 * math.sqrt(1e-5) * 1e-6 * np.sqrt(RATES)
    result = randles_sevcik(RATES, i, concentration=Measured(1.0, 0.01), area=Measured(1e-4, 2e-6)).value
    assert result.standard_uncertainty == pytest.approx(2e-9 * math.hypot(0.01, 0.02), rel=1e-3)


def test_a_line_that_misses_the_origin_is_remarked() -> None:
    i = 1e-5 * np.sqrt(RATES) + 2e-6
    assert "misses the origin" in randles_sevcik(RATES, i, concentration=1.0, area=1e-4).value.warnings[0]


def test_cottrell_at_one_second() -> None:
    # 172.14 uA for n = 1, 1 cm2, 1e-5 cm2/s, 1 mmol/L at 1 s: closed form, Bard & Faulkner 5.2.11.
    i = 172.142e-6 / np.sqrt(T)
    result = cottrell(T, i, concentration=1.0, area=1e-4)
    assert result.value.value == pytest.approx(1e-9, rel=1e-5)
    assert cottrell(T, -i, concentration=1.0, diffusion_coefficient=1e-9).value.value == pytest.approx(1e-4, rel=1e-5)


def test_anson_slope_and_intercept() -> None:
    # Slope 344.28 uC/s^(1/2) for the same case, Bard & Faulkner 5.8.1; 20 uC of double layer on top.
    q = 344.28e-6 * np.sqrt(T) + 20e-6
    result = anson(T, q, concentration=1.0, area=1e-4)
    assert result.value.value == pytest.approx(1e-9, rel=2e-5)
    assert result.intercept.value == pytest.approx(20e-6, rel=1e-6)


def test_window_leaves_charging_out() -> None:
    i = 172.142e-6 / np.sqrt(T) + 5e-3 * np.exp(-T / 0.01)
    assert cottrell(T, i, concentration=1.0, area=1e-4).value.value > 1.02e-9
    kept = cottrell(T, i, concentration=1.0, area=1e-4, window=(0.2, 2.0))
    assert kept.value.value == pytest.approx(1e-9, rel=1e-4)
    with pytest.raises(AnalysisError, match="Only 1 points lie between"):
        cottrell(T, i, concentration=1.0, area=1e-4, window=(1.995, 2.0))


@pytest.mark.parametrize("start", [0, 20])
def test_intervals_of_transients_hold_the_truth(start: int) -> None:
    rng, hits, repeats = np.random.default_rng(172), [0, 0, 0], 150
    for _ in range(repeats):
        noise = rng.normal(0, 2e-6, T.size)
        i = 172.142e-6 / np.sqrt(T) + noise
        q = 344.284e-6 * np.sqrt(T) + 20e-6 + np.cumsum(noise) * 0.01
        charge = anson(T[start:], q[start:], concentration=1.0, area=1e-4)
        hits[0] += holds(cottrell(T[start:], i[start:], concentration=1.0, area=1e-4).value, 1e-9)
        hits[1] += holds(charge.value, 1e-9)
        hits[2] += holds(charge.intercept, 20e-6 + (np.cumsum(noise)[start - 1] * 0.01 if start else 0.0))
    assert all(count / repeats >= 0.86 for count in hits)


@pytest.mark.long
@pytest.mark.parametrize(("white", "at_least"), [(0.0, 0.90), (1e-8, 0.80), (1e-7, 0.80), (1e-6, 0.80), (1e-5, 0.92)])
def test_coverage_of_chronocoulometry(white: float, at_least: float) -> None:
    rng, hits, repeats = np.random.default_rng(344), 0, 1000
    for _ in range(repeats):
        q = 344.284e-6 * np.sqrt(T) + np.cumsum(rng.normal(0, 2e-6, T.size)) * 0.01 + rng.normal(0, white, T.size)
        hits += holds(anson(T, q, concentration=1.0, area=1e-4).value, 1e-9)
    assert at_least <= hits / repeats <= 0.98


def test_neighbouring_points_that_agree_widen_the_interval() -> None:
    rng = np.random.default_rng(9)
    white = rng.normal(0, 1e-6, T.size)
    drifting = np.convolve(white, np.ones(20) / math.sqrt(20), mode="same")
    i = 172.142e-6 / np.sqrt(T)
    plain = cottrell(T, i + white, concentration=1.0, area=1e-4).value.standard_uncertainty
    wide = cottrell(T, i + drifting, concentration=1.0, area=1e-4).value.standard_uncertainty
    assert (wide or 0) > 2 * (plain or 1)


def test_what_cannot_be_computed_is_said() -> None:
    i = 1e-5 * np.sqrt(RATES)
    with pytest.raises(AnalysisError, match="either the area or the diffusion"):
        randles_sevcik(RATES, i, concentration=1.0)
    with pytest.raises(AnalysisError, match="either the area or the diffusion"):
        randles_sevcik(RATES, i, concentration=1.0, area=1e-4, diffusion_coefficient=1e-9)
    with pytest.raises(AnalysisError, match="both signs"):
        randles_sevcik(RATES, i - i.mean(), concentration=1.0, area=1e-4)
    with pytest.raises(AnalysisError, match="slope is zero"):
        randles_sevcik(RATES, np.full(5, 1e-6), concentration=1.0, area=1e-4)
    with pytest.raises(AnalysisError, match="concentration is 0"):
        randles_sevcik(RATES, i, concentration=0.0, area=1e-4)
    with pytest.raises(AnalysisError, match="at least 3"):
        randles_sevcik(RATES[:2], i[:2], concentration=1.0, area=1e-4)
    with pytest.raises(AnalysisError, match="every value must be above zero"):
        randles_sevcik(RATES - 0.02, i, concentration=1.0, area=1e-4)
    with pytest.raises(AnalysisError, match="two different"):
        randles_sevcik([0.1] * 3, [1e-6, 2e-6, 3e-6], concentration=1.0, area=1e-4)


@pytest.mark.parametrize(
    ("exponent", "control"), [(0.5, "diffusion"), (1.0, "adsorption"), (0.75, "mixed"), (0.47, "diffusion")]
)
def test_slope_of_the_logarithms_tells_diffusion_from_adsorption(exponent: float, control: str) -> None:
    # 1/2 for diffusion, 1 for adsorbed species: Bard & Faulkner 6.2 and 14.3.
    result = scan_rate_order(RATES, -3e-6 * RATES**exponent)
    assert result.slope.value == pytest.approx(exponent)
    assert result.control == control


def test_a_slope_too_uncertain_to_tell_is_undecided() -> None:
    assert scan_rate_order([0.01, 0.1, 1.0], [1e-6, 2.5e-5, 3.2e-5]).control == "undecided"
