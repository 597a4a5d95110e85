"""Properties of peaks whose shape has a closed form or a published function."""

import numpy as np
import pytest
from scipy.signal import peak_widths

from luggin.daemon.analysis.peak_models import SWEEP_SETTINGS, PeakResult
from luggin.daemon.analysis.peaks import detect
from luggin.protocol.evaluation.peak_settings import AsymmetricLeastSquares, PeakSettings, Polynomial, Straight, Tangent
from support.peak_truth import RT_F, gaussian, reversible_sweep, sech_squared, thin_film, wave

E = np.linspace(-0.2, 0.8, 1001)


def test_surface_film_has_the_published_half_width() -> None:
    """Reversible monolayer: W_1/2 = 3.53 RT/nF = 90.6 mV at 25 C (Bard and Faulkner, 2nd ed., 14.3; from memory)."""
    i = 1e-6 / np.cosh((E - 0.3) / (2 * RT_F)) ** 2
    (peak,) = detect(E, i, settings=PeakSettings(baseline=Straight(anchors=(-0.15, 0.75)))).peaks
    assert peak.potential == pytest.approx(0.3, abs=1e-5)
    assert peak.height == pytest.approx(1e-6, rel=1e-3)
    assert peak.half_width == pytest.approx(0.0906, abs=1e-4)
    assert peak.half_peak_potential == pytest.approx(0.3 - 0.0453, abs=1e-4)
    assert peak.asymmetry == pytest.approx(1, abs=0.01)
    assert peak.area == pytest.approx(4 * RT_F * 1e-6, rel=2e-3)


def test_charge_is_area_over_scan_rate() -> None:
    i = sech_squared(E, 0.3, 1e-6, 0.09)
    (peak,) = detect(E, i, time=(E - E[0]) / 0.05).peaks
    assert peak.charge == pytest.approx(peak.area / 0.05)
    (untimed,) = detect(E, i).peaks
    assert untimed.charge is None


def test_reversible_sweep_has_the_published_peak() -> None:
    """E_p - E_1/2 = 28.50 mV, abs(E_p - E_p/2) = 56.5 mV, height 0.4463 (Nicholson and Shain, 1964; from memory)."""
    chi = reversible_sweep(E, 0.3)
    settings = PeakSettings(baseline=Tangent(anchors=(-0.2, 0.05)))
    (peak,) = detect(E, chi, settings=settings).peaks
    assert peak.potential == pytest.approx(0.3285, abs=2e-4)
    assert peak.height == pytest.approx(0.4463, rel=2e-3)
    assert peak.half_peak_potential is not None
    assert peak.potential - peak.half_peak_potential == pytest.approx(0.0565, abs=4e-4)


def test_reversible_sweep_against_the_function_itself() -> None:
    """sqrt(pi) chi at n(E - E1/2) in mV, exact column; the generator must be right before it can judge."""
    chi = reversible_sweep(np.arange(-0.4, 0.4001, 0.0005), 0.0)
    at = np.interp([-0.1, -0.05, 0.0, 0.0285, 0.05, 0.1, 0.15], np.arange(-0.4, 0.4001, 0.0005), chi)
    assert at == pytest.approx([0.0198, 0.1183, 0.3801, 0.4463, 0.4210, 0.3124, 0.2449], abs=3e-4)


def test_stripping_peak_is_skewed_as_it_should_be() -> None:
    (peak,) = detect(E, thin_film(E, 0.3, 1e-6, 0.02)).peaks
    assert peak.potential == pytest.approx(0.3, abs=5e-4)
    assert peak.height == pytest.approx(1e-6, rel=0.01)
    assert peak.half_width == pytest.approx(2.4464 * 0.02, rel=0.01)
    assert peak.area == pytest.approx(np.e * 1e-6 * 0.02, rel=0.03)
    # Half heights at -1.2245 ... and +0.90 ... widths from the top.
    x = np.linspace(-4, 2, 600_001)
    half = x[np.exp(1 + x - np.exp(x)) >= 0.5]
    assert peak.asymmetry == pytest.approx(half[-1] / -half[0], rel=0.02)


def test_half_width_agrees_with_scipy() -> None:
    """scipy.signal.peak_widths at half prominence, on a curve without background."""
    i = thin_film(E, 0.3, 1.0, 0.03)
    width = peak_widths(i, [int(np.argmax(i))], rel_height=0.5)[0][0] * 0.001
    (peak,) = detect(E, i).peaks
    assert peak.half_width == pytest.approx(width, rel=0.01)


def test_half_turn_of_the_curve_turns_the_result() -> None:
    """Cathodic peaks on a falling scan are anodic ones on a rising scan turned by half a turn."""
    rng = np.random.default_rng(3)
    i = thin_film(E, 0.3, 1e-6, 0.03) + 2e-7 * E + 5e-9 * rng.standard_normal(E.size)
    (up,) = detect(E, i).peaks
    (down,) = detect(-E, -i).peaks
    assert (up.polarity, down.polarity) == ("anodic", "cathodic")
    assert down.height < 0
    assert down.height == pytest.approx(-up.height)
    assert down.area == pytest.approx(-up.area)
    assert down.potential == pytest.approx(-up.potential)
    assert down.half_peak_potential == pytest.approx(-(up.half_peak_potential or 0))
    assert down.asymmetry == pytest.approx(up.asymmetry)
    assert down.half_width == pytest.approx(up.half_width)


def test_half_peak_potential_lies_where_the_scan_comes_from() -> None:
    i = gaussian(E, 0.3, 1.0, 0.1)
    (rising,) = detect(E, i, settings=PeakSettings(polarity="anodic")).peaks
    (falling,) = detect(E[::-1], i[::-1], settings=PeakSettings(polarity="anodic")).peaks
    assert rising.half_peak_potential == pytest.approx(0.25, abs=1e-3)
    assert falling.half_peak_potential == pytest.approx(0.35, abs=1e-3)


def test_polarity() -> None:
    i = gaussian(E, 0.2, 1.0, 0.09) - gaussian(E, 0.55, 0.7, 0.07) + 0.5 * E

    def found(polarity: str) -> list[tuple[str, float]]:
        result = detect(E, i, settings=PeakSettings.model_validate({"polarity": polarity}))
        return [(p.polarity, round(p.potential, 2)) for p in result.peaks]

    assert found("anodic") == found("along-scan") == [("anodic", 0.2)]
    assert found("cathodic") == [("cathodic", 0.55)]
    assert found("both") == [("anodic", 0.2), ("cathodic", 0.55)]


@pytest.mark.parametrize(
    "baseline",
    [Straight(), Tangent(), Polynomial(order=3), AsymmetricLeastSquares(stiffness=1.5)],
    ids=lambda b: b.kind,
)
def test_every_baseline_gives_the_height(baseline: Straight) -> None:
    rng = np.random.default_rng(1)
    i = gaussian(E, 0.3, 1.0, 0.09) + 0.3 + 0.5 * E + 0.002 * rng.standard_normal(E.size)
    (peak,) = detect(E, i, settings=PeakSettings(baseline=baseline)).peaks
    assert peak.height == pytest.approx(1, rel=0.03)
    assert peak.baseline.kind == baseline.kind
    e, b = np.array(peak.baseline.potential), np.array(peak.baseline.current)
    assert b == pytest.approx(0.3 + 0.5 * e, abs=0.05)


@pytest.mark.parametrize("slope", [-0.1, 0.0, 1.0])
@pytest.mark.parametrize("noise", [0.0, 0.003, 0.05])
def test_a_wave_is_no_peak(slope: float, noise: float) -> None:
    rng = np.random.default_rng(2)
    i = wave(E, 0.3, RT_F) + slope * E + noise * rng.standard_normal(E.size)
    result = detect(E, i, settings=PeakSettings(polarity="both"))
    assert result.peaks == ()
    assert result.notes == ("no peak found",)


def test_limits_on_what_counts() -> None:
    i = gaussian(E, 0.1, 1.0, 0.08) + gaussian(E, 0.5, 0.05, 0.08)

    def found(**settings: object) -> list[float]:
        result = detect(E, i, settings=PeakSettings.model_validate(settings))
        return [round(p.potential, 2) for p in result.peaks]

    assert found() == [0.1, 0.5]
    assert found(minimum_height=0.1) == [0.1]
    assert found(minimum_relative_height=0.1) == [0.1]
    assert found(search=(0.3, 0.7)) == [0.5]
    assert found(minimum_half_width=0.2) == []


def test_settings_come_back_and_repeat_the_result() -> None:
    rng = np.random.default_rng(4)
    i = gaussian(E, 0.3, 1e-6, 0.09) + 2e-8 * rng.standard_normal(E.size)
    settings = SWEEP_SETTINGS.model_copy(update={"minimum_half_width": 0.03})
    first = detect(E, i, settings=settings)
    stored = PeakResult.model_validate_json(first.model_dump_json())
    assert stored == first
    assert detect(E, i, settings=stored.settings) == first


def test_settings_that_contradict_themselves() -> None:
    with pytest.raises(ValueError, match=r"maximum_half_width is 0\.01 V and minimum_half_width 0\.02 V; give"):
        PeakSettings(maximum_half_width=0.01)
