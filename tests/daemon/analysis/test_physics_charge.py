"""Charge, capacitance, ohmic drop and reference electrodes."""

import numpy as np
import pytest
from scipy import integrate

from luggin.daemon.analysis.charge import (
    charge,
    coulombic_efficiency,
    double_layer_capacitance,
    galvanostatic_capacitance,
    surface_coverage,
)
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Measured
from luggin.daemon.analysis.faraday import amount, deposited_mass, thermal_voltage
from luggin.daemon.analysis.ohmic import OhmicRecord, correct_ohmic_drop
from luggin.daemon.analysis.references import REFERENCES, conversion, convert, find_reference


def test_charge_is_split_by_sign() -> None:
    t = np.linspace(0, 2 * np.pi, 2001)
    found = charge(t, np.sin(t) + 0.25)
    assert found.net == pytest.approx(integrate.trapezoid(np.sin(t) + 0.25, t), rel=1e-12)
    assert found.net == pytest.approx(0.5 * np.pi, rel=1e-6)
    cross = np.arcsin(0.25)
    anodic = 2 * np.cos(cross) + 0.25 * (np.pi + 2 * cross)
    assert found.anodic == pytest.approx(anodic, rel=1e-5)
    assert found.anodic + found.cathodic == pytest.approx(found.net)
    assert charge(t, np.sin(t) + 0.25, baseline=0.25).net == pytest.approx(0, abs=1e-9)
    assert charge([0, 2], [1, -1]).anodic == pytest.approx(0.5)


def test_charge_needs_time_that_grows() -> None:
    with pytest.raises(AnalysisError, match=r"time\[2\] is 1"):
        charge([0, 1, 1], [1, 1, 1])


def test_efficiency() -> None:
    cycle = charge([0, 10, 10.001, 19.001], [-1e-3, -1e-3, 1e-3, 1e-3])
    assert coulombic_efficiency(cycle, recovered="anodic") == pytest.approx(0.9, rel=1e-3)
    assert coulombic_efficiency(cycle, recovered="cathodic") == pytest.approx(1 / 0.9, rel=1e-3)
    with pytest.raises(AnalysisError, match="No charge was put in"):
        coulombic_efficiency(charge([0, 1], [1, 1]), recovered="anodic")


def test_faraday_with_the_silver_coulometer() -> None:
    # One coulomb deposits 1.1180 mg of silver (definition of the international ampere, 1908, handbooks).
    assert deposited_mass(-1.0, 1, 107.8682e-3) == pytest.approx(1.1180e-6, abs=5e-11)
    assert amount(96485.33212, 2) == pytest.approx(0.5)
    assert thermal_voltage(298.15) == pytest.approx(0.0256926, abs=5e-8)


def test_coverage_of_a_hydrogen_monolayer() -> None:
    # 210 uC/cm2 for hydrogen on polycrystalline platinum (common practice) is 2.18 nmol/cm2.
    found = surface_coverage(210e-6, 1, Measured(1e-4, 2e-6))
    assert found.value == pytest.approx(2.18e-5, abs=0.005e-5)
    assert found.standard_uncertainty == pytest.approx(0.02 * found.value)


def test_double_layer_capacitance() -> None:
    v = np.array([0.02, 0.05, 0.1, 0.2])
    i = 20e-6 * v + np.array([1e-9, -1e-9, 1e-9, -1e-9])  # 20 uF/cm2 on 1 cm2 (10 to 40 are usual)
    found = double_layer_capacitance(v, i, area=Measured(1e-4, 1e-6))
    assert found.value == pytest.approx(0.20, rel=2e-3)
    assert (found.standard_uncertainty or 0) > 0.0019
    assert double_layer_capacitance(v, -i).value == pytest.approx(20e-6, rel=2e-3)
    with pytest.raises(AnalysisError, match="does not grow"):
        double_layer_capacitance(v, i[::-1])


def test_galvanostatic_capacitance() -> None:
    t = np.linspace(0, 10, 50)
    assert galvanostatic_capacitance(t, 0.8 - 0.05 * t, -1e-3).value == pytest.approx(0.02)
    with pytest.raises(AnalysisError, match="no capacitance"):
        galvanostatic_capacitance(t, np.full(50, 0.8), 1e-3)


def test_ohmic_drop_is_taken_off_once() -> None:
    e, i = np.array([0.1, 0.2]), np.array([1e-4, -1e-4])
    first, record = correct_ohmic_drop(e, i, 100.0, OhmicRecord())
    assert list(first) == pytest.approx([0.09, 0.21])
    again, unchanged = correct_ohmic_drop(first, i, 100.0, record)
    assert list(again) == list(first)
    assert unchanged == record
    better, total = correct_ohmic_drop(first, i, 120.0, record)
    assert list(better) == pytest.approx([0.088, 0.212])
    assert total.subtracted == pytest.approx(120)


def test_what_the_instrument_compensated_is_not_taken_off_again() -> None:
    e, record = correct_ohmic_drop([0.1], [1e-4], 100.0, OhmicRecord(by_instrument=85))
    assert e[0] == pytest.approx(0.1 - 15e-4)
    assert record.accounted == pytest.approx(100)
    with pytest.raises(AnalysisError, match="already corrected for 100 ohm"):
        correct_ohmic_drop(e, [1e-4], 80.0, record)
    with pytest.raises(AnalysisError, match="cannot be negative"):
        correct_ohmic_drop([0.1], [1e-4], -1.0, OhmicRecord())


@pytest.mark.parametrize(
    ("name", "volts"),
    [
        # Int. J. Corrosion 2010, 756950, table 2.
        ("SCE", 0.2410),
        ("Ag/AgCl (saturated KCl)", 0.197),
        ("ag/agcl (Sat. KCl)", 0.197),
        ("Ag/AgCl (sat'd KCl)", 0.197),
        ("Ag/AgCl (1 M KCl)", 0.236),
        ("Ag/AgCl (1 mol/L KCl)", 0.236),
        ("Cu/CuSO4 (saturated)", 0.316),
        ("Hg/HgO (0.1 M NaOH)", 0.165),
        ("Hg/Hg2SO4 (1 M H2SO4)", 0.6739),
        # Web compilations, both with liquid junction.
        ("Ag/AgCl (3 M KCl)", 0.210),
        ("Ag/AgCl (3.5 M KCl)", 0.205),
        # Nickell et al., J. Power Sources 161 (2006) 1217.
        ("Hg/HgO (1 M NaOH)", 0.1077),
        # Bard & Faulkner, inside cover (from memory of the source).
        ("Hg/Hg2SO4 (saturated K2SO4)", 0.64),
        # Bond et al., Anal. Chem. 59 (1987) 2853.
        ("Fc+/Fc (water)", 0.400),
    ],
)
def test_reference_potentials(name: str, volts: float) -> None:
    assert find_reference(name).potential == pytest.approx(volts, abs=1e-9)


def test_conversion_of_the_textbooks() -> None:
    # +0.300 V against Ag/AgCl (saturated KCl) is +0.497 V against SHE and +0.256 V against SCE.
    to_she, applied = convert([0.300, 0.0], "Ag/AgCl (sat. KCl)", "SHE")
    assert list(to_she) == pytest.approx([0.497, 0.197])
    assert applied.uncertainty > 0
    assert applied.sources
    assert convert([0.300], "Ag/AgCl (sat. KCl)", "SCE")[0][0] == pytest.approx(0.256)
    assert conversion("SCE", "SCE").shift == 0


def test_reversible_hydrogen_electrode_follows_the_ph() -> None:
    # 59.16 mV per pH at 25 degC.
    assert conversion("SHE", "RHE", ph=7.0).shift == pytest.approx(0.41412, abs=2e-5)
    assert conversion("Hg/HgO (0.1 M NaOH)", "RHE", ph=13.0).shift == pytest.approx(0.165 + 0.7691, abs=1e-4)
    assert conversion("SHE", "RHE", ph=7.0, temperature=273.15).shift == pytest.approx(7 * 0.05420, abs=1e-4)
    with pytest.raises(AnalysisError, match="give the pH"):
        conversion("SHE", "RHE")


def test_mixed_conventions_are_remarked() -> None:
    assert any("liquid junction" in warning for warning in conversion("SCE", "Ag/AgCl (3 M KCl)").warnings)
    assert any("acetonitrile" in warning for warning in conversion("SCE", "Fc+/Fc").warnings)
    assert any("25 degC" in warning for warning in conversion("SCE", "SHE", temperature=310).warnings)
    assert conversion("SCE", "SHE").warnings == ()


def test_an_electrode_without_its_filling_is_refused() -> None:
    with pytest.raises(AnalysisError, match='"Ag/AgCl" is not known'):
        find_reference("Ag/AgCl")


def test_every_reference_has_source_and_uncertainty() -> None:
    for name, entry in REFERENCES.items():
        assert entry.source
        assert entry.uncertainty > 0 or name == "SHE"
