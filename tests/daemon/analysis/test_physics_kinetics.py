"""Electrode kinetics: Nicholson's method against an independent solution, and the rotating disk."""

import numpy as np
import pytest

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Measured
from luggin.daemon.analysis.faraday import FARADAY, thermal_voltage
from luggin.daemon.analysis.nicholson import kinetic_parameter, nicholson
from luggin.daemon.analysis.rotating_disk import koutecky_levich, levich


def peak_separation(psi: float, switching_distance: float, step: float = 0.02) -> float:
    """Peak separation in V (n = 1, 25 degC) of a quasi-reversible couple with alpha = 1/2 and equal D.

    Nicholson's integral equation by product integration with a flux that is linear within each step of nF v t / RT.
    """
    voltage = thermal_voltage(298.15)
    down = round((8 + switching_distance / voltage) / step)
    count = 2 * down
    index = np.arange(1, count + 1, dtype=np.float64)
    weights = (index + 1) ** 1.5 - 2 * index**1.5 + (index - 1) ** 1.5
    unit = 4 / 3 * np.sqrt(step / np.pi)
    turn = -(switching_distance / voltage)
    sweep = np.where(index <= down, turn + step * (down - index), turn + step * (index - down))
    flux = np.zeros(count + 1)
    for n, x in enumerate(sweep, start=1):
        past = unit * float(weights[: n - 1][::-1] @ flux[1:n])
        rate, both = psi * np.sqrt(np.pi) * np.exp(-x / 2), 1 + np.exp(x)
        flux[n] = rate * (1 - past * both) / (1 + rate * unit * both)

    def peak(values: np.ndarray, at: np.ndarray) -> float:
        top = int(np.argmax(values))
        square, slope, _ = np.polyfit(at[top - 2 : top + 3] - at[top], values[top - 2 : top + 3], 2)
        return float(at[top] - slope / (2 * square))

    forward, backward = peak(flux[1 : down + 1], sweep[:down]), peak(-flux[down + 1 :], sweep[down:])
    return (backward - forward) * voltage


@pytest.mark.parametrize(
    ("psi", "table"),
    [(20, 61), (7, 63), (6, 64), (5, 65), (4, 66), (3, 68), (2, 72), (1, 84), (0.75, 92), (0.5, 105), (0.35, 121),
     (0.25, 141), (0.1, 212)],
)  # fmt: skip
def test_nicholson_table_of_1965(psi: float, table: float) -> None:
    # Anal. Chem. 37 (1965) 1351, table I (from memory of the source), whole millivolts, switching 141 mV past E1/2.
    separations = np.linspace(0.0602, 0.2108, 20_000)
    found = kinetic_parameter(separations, 0.141)
    nearest = int(np.nanargmin(np.abs(np.log(found / psi))))
    assert separations[nearest] * 1000 == pytest.approx(table, abs=2)


@pytest.mark.parametrize("distance", [0.141, 0.17, 0.25, 0.3, 0.45])
@pytest.mark.parametrize("psi", [0.13, 0.3, 0.6, 1.2, 2.5, 6.0])
def test_nicholson_curve_follows_the_integral_equation(psi: float, distance: float) -> None:
    found = float(kinetic_parameter(np.array([peak_separation(psi, distance)]), distance)[0])
    assert found == pytest.approx(psi, rel=0.02)


def test_rate_constant_from_several_scan_rates() -> None:
    k0, d, rates = 1e-4, 1e-9, np.array([0.1, 0.3, 1.0])
    psi = k0 / np.sqrt(np.pi * d * rates / thermal_voltage(298.15))
    result = nicholson([peak_separation(p, 0.3) for p in psi], rates, Measured(d, 0.02e-9))
    assert result.value.value == pytest.approx(k0, rel=0.01)
    assert [p or 0 for p in result.psi] == pytest.approx(list(psi), rel=0.02)
    assert (result.value.standard_uncertainty or 0) >= 0.01 * k0 * 0.99
    assert result.value.warnings == ()


def test_two_electrons_halve_the_separation() -> None:
    one = nicholson([0.084, 0.105], [0.1, 0.2], 1e-9)
    two = nicholson([0.042, 0.0525], [0.1, 0.2], 1e-9, electrons=2, switching_distance=0.15)
    assert two.value.value == pytest.approx(one.value.value * 2**0.5, rel=1e-9)


def test_range_of_validity_is_said() -> None:
    with pytest.raises(AnalysisError, match=r"between 58\.9 and 214 mV"):
        nicholson([0.057, 0.300], [0.1, 0.2], 1e-9)
    some = nicholson([0.0605, 0.084, 0.300], [0.1, 0.2, 5], 1e-9)
    assert some.each[2] is None
    assert any("1 of 3" in warning for warning in some.value.warnings)
    assert any("nearly reversible" in warning for warning in some.value.warnings)
    single = nicholson([0.084], [0.1], 1e-9)
    assert single.value.standard_uncertainty is None
    with pytest.raises(AnalysisError, match="at least 141 mV"):
        nicholson([0.084], [0.1], 1e-9, switching_distance=0.1)


ROTATION = np.array([400, 900, 1600, 2500]) / 60.0


def test_levich_in_the_units_of_the_textbook() -> None:
    # Bard & Faulkner 9.3.22 (from memory of the source), in cm: 0.620 n F A D^(2/3) w^(1/2) nu^(-1/6) c.
    omega = 2 * np.pi * ROTATION
    i = 0.620 * 96485 * 0.196 * (7.2e-6) ** (2 / 3) * omega**0.5 * 0.0089 ** (-1 / 6) * 1e-6
    result = levich(ROTATION, -i, concentration=1.0, area=0.196e-4, kinematic_viscosity=0.89e-6)
    assert result.value.value == pytest.approx(7.2e-10, rel=1e-4)
    by_area = levich(ROTATION, i, concentration=1.0, diffusion_coefficient=7.2e-10, kinematic_viscosity=0.89e-6)
    assert by_area.value.value == pytest.approx(0.196e-4, rel=1e-4)


def test_levich_constant_from_the_flow_at_the_disk() -> None:
    # The axial flow -0.51023 w^(3/2) nu^(-1/2) z^2 (Cochran) gives 1 / (Gamma(4/3) (3 / 0.51023)^(1/3)) = 0.6205.
    from scipy.special import gamma

    assert 1 / (gamma(4 / 3) * (3 / 0.51023) ** (1 / 3)) == pytest.approx(0.620, abs=6e-4)


def test_koutecky_levich_separates_kinetics_from_transport() -> None:
    rng = np.random.default_rng(33)
    limit = 0.620 * FARADAY * 2e-5 * (1e-9) ** (2 / 3) * (8.93e-7) ** (-1 / 6) * np.sqrt(2 * np.pi * ROTATION)
    i = -1 / (1 / limit + 1 / 5e-4)
    exact = koutecky_levich(ROTATION, i, concentration=1.0, area=2e-5)
    assert exact.value.value == pytest.approx(1e-9, rel=1e-9)
    assert exact.kinetic_current.value == pytest.approx(-5e-4, rel=1e-9)
    noisy = koutecky_levich(ROTATION, i * (1 + rng.normal(0, 0.005, 4)), concentration=1.0, area=2e-5)
    assert noisy.kinetic_current.lower is not None
    assert noisy.kinetic_current.upper is not None
    assert noisy.kinetic_current.lower < -5e-4 < noisy.kinetic_current.upper
    with pytest.raises(AnalysisError, match="use Levich"):
        koutecky_levich(ROTATION, limit * 1.05 + 3e-6 * np.arange(4), concentration=1.0, area=2e-5)
    with pytest.raises(AnalysisError, match="does not grow"):
        koutecky_levich(ROTATION, limit[::-1], concentration=1.0, area=2e-5)
