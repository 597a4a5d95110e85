"""Corrosion: factors of ASTM G59 and G102, and recovery of known mixed potentials."""

import numpy as np
import pytest

from luggin.daemon.analysis.corrosion import (
    Constituent,
    corrosion_current_density,
    corrosion_potential,
    corrosion_rate,
    equivalent_weight,
    polarisation_resistance,
    stern_geary_coefficient,
)
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Measured
from luggin.daemon.analysis.tafel import extrapolated_current, mixed_potential, tafel_line

E = np.linspace(-0.75, -0.25, 251)


def polarisation(e: np.ndarray, ba: float = 0.06, bc: float = 0.12) -> np.ndarray:
    """Corrosion current 10 uA at -0.5 V."""
    return np.asarray(1e-5 * (10 ** ((e + 0.5) / ba) - 10 ** (-(e + 0.5) / bc)))


def holds(estimate: Estimate, truth: float) -> bool:
    assert estimate.lower is not None
    assert estimate.upper is not None
    return estimate.lower <= truth <= estimate.upper


def test_factors_of_astm_g102() -> None:
    # K1 = 3.27e-3 mm g/(uA cm yr) and K2 = 8.954e-3 g cm2/(uA m2 d) (from memory of the source): 1 uA/cm2 with an
    # equivalent weight of 1 g and a density of 1 g/cm3.
    rate = corrosion_rate(1e-2, 1e-3, 1000.0)
    assert rate.millimetres_per_year == pytest.approx(3.27e-3, abs=5e-6)
    assert rate.grams_per_square_metre_and_day == pytest.approx(8.954e-3, abs=2e-6)


def test_iron_at_one_milliampere_per_square_centimetre() -> None:
    # 11.6 mm/y and 249 g/(m2 d) in public corrosion conversion tables.
    rate = corrosion_rate(10.0, 55.845e-3 / 2, 7870.0)
    assert rate.millimetres_per_year == pytest.approx(11.6, abs=0.05)
    assert rate.grams_per_square_metre_and_day == pytest.approx(249, abs=1.5)
    assert rate.penetration.value * 7870 == pytest.approx(rate.mass_loss.value)


def test_equivalent_weight_of_a_stainless_steel() -> None:
    # ASTM G102 table 1: AISI 304, 25.12 (from memory of the source), for 19 % Cr(III), 9.25 % Ni(II), rest Fe(II).
    steel = [Constituent(0.19, 3, 51.996e-3), Constituent(0.0925, 2, 58.69e-3), Constituent(0.7175, 2, 55.847e-3)]
    assert equivalent_weight(steel) * 1000 == pytest.approx(25.12, abs=5e-3)
    with pytest.raises(AnalysisError, match="not percent"):
        equivalent_weight([Constituent(19, 3, 52e-3)])
    with pytest.raises(AnalysisError, match="at least one"):
        equivalent_weight([])
    with pytest.raises(AnalysisError, match=r"constituents\[0\]\.valence is 0"):
        equivalent_weight([Constituent(1, 0, 52e-3)])


def test_stern_geary() -> None:
    # ASTM G59 / G102: ba = bc = 0.12 V/decade gives B = 26 mV.
    b = stern_geary_coefficient(0.12, 0.12)
    assert b.value == pytest.approx(0.02605, abs=1e-5)
    i = corrosion_current_density(Measured(b.value, 0.001), Measured(2.0, 0.02))
    assert i.value == pytest.approx(b.value / 2)
    assert i.standard_uncertainty == pytest.approx(i.value * np.hypot(0.001 / b.value, 0.01))
    uncertain = stern_geary_coefficient(Measured(0.06, 0.006), 0.12)
    assert uncertain.standard_uncertainty == pytest.approx(uncertain.value * 0.1 * 2 / 3)


def test_polarisation_resistance() -> None:
    e = np.linspace(-0.52, -0.48, 81)
    i = polarisation(e, 0.12, 0.12)
    resistance = 0.02605 / 1e-5
    assert corrosion_potential(e, i) == pytest.approx(-0.5, abs=1e-6)
    assert polarisation_resistance(e, i).value == pytest.approx(resistance, rel=0.01)
    per_area = polarisation_resistance(e, i, area=1e-4)
    assert per_area.value == pytest.approx(resistance * 1e-4, rel=0.01)
    behind = polarisation_resistance(e + i * 300, i, uncompensated_resistance=Measured(300, 5))
    assert behind.value == pytest.approx(resistance, rel=0.01)
    assert (behind.standard_uncertainty or 0) > 5
    with pytest.raises(AnalysisError, match="corrected for already"):
        polarisation_resistance(e, i, uncompensated_resistance=3000)
    with pytest.raises(AnalysisError, match="never passes zero"):
        polarisation_resistance(e, i + 1e-3)
    with pytest.raises(AnalysisError, match="at least 3"):
        polarisation_resistance(e, i, window=1e-4)
    with pytest.raises(AnalysisError, match="does not grow"):
        polarisation_resistance(e, -i)


def test_tafel_branches() -> None:
    i = polarisation(E)
    anodic = tafel_line(E, i, window=(-0.38, -0.28))
    cathodic = tafel_line(E, i, window=(-0.74, -0.6))
    assert anodic.slope.value == pytest.approx(0.06, rel=0.01)
    assert cathodic.slope.value == pytest.approx(-0.12, rel=0.01)
    assert anodic.transfer_coefficient == pytest.approx(0.05916 / 0.06, rel=0.01)
    assert cathodic.transfer_coefficient == pytest.approx(0.493, rel=0.01)
    assert extrapolated_current(anodic, -0.5).value == pytest.approx(1e-5, rel=0.03)
    assert extrapolated_current(cathodic, -0.5).value == pytest.approx(1e-5, rel=0.03)
    short = tafel_line(E, i, window=(-0.38, -0.34))
    assert "decades" in short.slope.warnings[0]
    with pytest.raises(AnalysisError, match="both signs"):
        tafel_line(E, i)
    with pytest.raises(AnalysisError, match="no Tafel branch"):
        tafel_line(E, 10 ** (-E))
    with pytest.raises(AnalysisError, match="at least 3"):
        tafel_line(E, i, window=(0.1, 0.2))


def test_both_branches_at_once() -> None:
    exact = mixed_potential(E, polarisation(E))
    assert exact.corrosion_potential.value == pytest.approx(-0.5, abs=1e-7)
    assert exact.corrosion_current.value == pytest.approx(1e-5, rel=1e-6)
    assert exact.anodic_slope.value == pytest.approx(0.06, rel=1e-6)
    assert exact.cathodic_slope.value == pytest.approx(0.12, rel=1e-6)


def test_both_branches_hold_the_truth() -> None:
    rng, hits, repeats = np.random.default_rng(59), np.zeros(4), 60
    for _ in range(repeats):
        found = mixed_potential(E[::5], polarisation(E[::5]) * (1 + rng.normal(0, 0.03, 51)) + rng.normal(0, 3e-7, 51))
        hits += [
            holds(found.corrosion_potential, -0.5),
            holds(found.corrosion_current, 1e-5),
            holds(found.anodic_slope, 0.06),
            holds(found.cathodic_slope, 0.12),
        ]
    assert hits.min() / repeats >= 0.85


def test_half_a_polarisation_curve_is_not_enough() -> None:
    with pytest.raises(AnalysisError, match="at least 8"):
        mixed_potential(E[::50], polarisation(E[::50]))
