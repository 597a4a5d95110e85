"""Linear sweep and cyclic voltammetry against published tables (tests/reference/voltammetry.toml)."""

import numpy as np
import pytest

from support.cells import AREA, DIFFUSION, FARADAY, PUBLISHED, THERMAL, cell, couple, peak, rows, sweep

RATE = 0.1  # V/s


def unit(rate: float = RATE, electrons: int = 1, concentration: float = 1.0) -> float:
    """Current (A) for which sqrt(pi) chi is one."""
    return float(electrons * FARADAY * AREA * concentration * np.sqrt(electrons * DIFFUSION * rate / THERMAL))


def separation(psi: float | None, switch: float) -> float:
    """Peak separation (mV) at Nicholson's psi; None: reversible."""
    constant = None if psi is None else psi * np.sqrt(np.pi * DIFFUSION * RATE / THERMAL)
    potential, response = sweep(cell(couple(rate=constant)), RATE, 0.4, -switch, 0.4)
    turn = int(np.argmin(potential)) + 1
    forth = peak(potential[:turn], -response.current[:turn])
    back = peak(potential[turn:], response.current[turn:])
    return (back[0] - forth[0]) * 1e3


def test_reversible_current_function_follows_the_table() -> None:
    table = PUBLISHED["reversible_current_function"]
    potential, response = sweep(cell(couple()), RATE, 0.4, -0.4)
    wanted = np.array(table["millivolts"]) / 1e3
    function = np.interp(-wanted, -potential, -response.current / unit())
    assert np.abs(function - table["computed"]).max() < 1e-4
    assert np.abs(function - table["published"]).max() < 2e-3


@pytest.mark.parametrize("electrons", [1, 2])
def test_reversible_peak(electrons: int) -> None:
    """0.4463 at -28.50/n mV, half-peak potential +28.0/n mV (Nicholson & Shain 1964, from memory); 0.446 (IUPAC, Pure
    Appl. Chem. 92 (2020) 641); computed 0.446295, -28.492, 28.092 mV."""
    step = 1e-3 / electrons
    potential, response = sweep(cell(couple(electrons=electrons)), RATE, 0.3, -0.2, step=step)
    where, height = peak(potential, -response.current)
    assert height / unit(electrons=electrons) == pytest.approx(0.446295, rel=1e-4)
    assert where * electrons * 1e3 == pytest.approx(-28.492, abs=0.03)
    first = int(np.argmin(response.current))
    half = np.interp(height / 2, -response.current[:first], potential[:first])
    assert half * electrons * 1e3 == pytest.approx(28.092, abs=0.03)


def test_randles_sevcik_coefficient() -> None:
    """2.69e5 in A, cm2, mol/cm3, V/s (from memory); computed 2.6865e5."""
    _, response = sweep(cell(couple()), RATE, 0.3, -0.2)
    coefficient = -response.current.min() / (AREA * 1e4 * np.sqrt(DIFFUSION * 1e4 * RATE) * 1e-6)
    assert coefficient == pytest.approx(2.6865e5, rel=2e-4)


@pytest.mark.parametrize(
    ("switched", "published", "computed"),
    rows("reversible_separation", "switched", "published", "computed"),
)
def test_reversible_separation_depends_on_the_switching_potential(
    switched: float, published: float, computed: float
) -> None:
    found = separation(None, round(switched + 28.5) / 1e3)
    assert found == pytest.approx(computed, abs=0.1)
    assert found == pytest.approx(published, abs=0.5)


@pytest.mark.parametrize(
    ("psi", "published", "computed"), rows("quasi_reversible_separation", "psi", "published", "computed")
)
def test_quasi_reversible_separation(psi: float, published: float, computed: float) -> None:
    found = separation(psi, 0.141)
    assert found == pytest.approx(computed, abs=0.1)
    assert found == pytest.approx(published, abs=2)


@pytest.mark.parametrize(
    ("psi", "computed"),
    rows("quasi_reversible_separation_far", "psi", "computed"),
)
def test_quasi_reversible_separation_switched_far(psi: float, computed: float) -> None:
    assert separation(psi, 0.3) == pytest.approx(computed, abs=0.1)


@pytest.mark.parametrize("alpha", [0.3, 0.5])
def test_irreversible_peak(alpha: float) -> None:
    """0.4958, 47.7/alpha mV, Ep = E0 - RT/(alpha F) (0.780 + ln sqrt(D alpha F v/RT)/k0) (Nicholson & Shain 1964, from
    memory; 0.496: IUPAC 2020); computed 0.495763, 47.717, 0.7804."""
    constant = 1e-8
    potential, response = sweep(cell(couple(rate=constant, alpha=alpha)), RATE, 0.0, -1.2)
    where, height = peak(potential, -response.current)
    assert height / (unit() * np.sqrt(alpha)) == pytest.approx(0.495763, rel=1e-4)
    first = int(np.argmin(response.current))
    half = np.interp(height / 2, -response.current[:first], potential[:first])
    assert (half - where) * alpha * 1e3 == pytest.approx(47.717, abs=0.02)
    fast = np.sqrt(DIFFUSION * alpha * RATE / THERMAL)
    assert -where * alpha / THERMAL == pytest.approx(0.7804 + np.log(fast / constant), abs=2e-3)


@pytest.mark.parametrize("ratio", [100.0, 1e4])
def test_following_reaction_moves_the_peak(ratio: float) -> None:
    """Fast first-order reaction of the product: 0.4958 at E1/2 - RT/F (0.780 - ln sqrt(k RT/(F v))) (Nicholson & Shain
    1964, case VI, from memory)."""
    decay = ratio * RATE / THERMAL
    potential, response = sweep(cell(couple(decay_reduced=decay)), RATE, 0.6, -0.2)
    where, height = peak(potential, -response.current)
    assert height / unit() == pytest.approx(0.4958, rel=2e-3)
    assert where == pytest.approx(THERMAL * (np.log(ratio) / 2 - 0.780), abs=0.2e-3)


def test_ohmic_drop_and_double_layer_at_rest_are_ohm_and_capacitance_times_rate() -> None:
    """Far from any reaction the charging current is C v, and the interface lags by R C v."""
    potential, response = sweep(cell(couple(rate=1e-12), resistance=1000.0, capacitance=1e-6), RATE, 0.3, 0.6)
    assert response.current[-1] == pytest.approx(1e-7, rel=1e-6)
    assert potential[-1] - response.interface[-1] == pytest.approx(1e-4, rel=1e-6)
