"""Current control and open circuit."""

import numpy as np
import pytest

from luggin.sim.cell import load_cell
from support.cells import AREA, DIFFUSION, FARADAY, THERMAL, cell, couple, monolayer

FORCED = 1e-4  # A
SAND = np.pi * DIFFUSION * (FARADAY * AREA / (2 * FORCED)) ** 2  # s


@pytest.mark.parametrize("capacitance", [0.0, 1e-9])
def test_transition_time_and_quarter_wave(capacitance: float) -> None:
    """Sand: i tau^1/2 / c = n F A sqrt(pi D)/2, 85.5 mA s1/2 cm-2 mM-1 D1/2; E(tau/4) - E(3 tau/4) = 47.9/n mV
    (Bard & Faulkner, from memory); computed 85.508, 47.949. E(tau/4) is the formal potential."""
    made = cell(couple(), capacitance=capacitance)
    count = 400
    time = 1.02 * SAND / count * np.arange(1, count + 1)
    response = made.current_control(np.full(count, time[0]), -FORCED, -FORCED)
    at = np.interp(np.array([0.25, 0.75]) * SAND, time, response.measured)
    assert (at[0] - at[1]) * 1e3 == pytest.approx(47.949, abs=0.005)
    assert at[0] == pytest.approx(0.0, abs=2e-6)
    transition = np.interp(0.4, -response.measured, time)
    assert transition == pytest.approx(SAND, rel=3e-3)
    coefficient = FORCED * 1e3 * np.sqrt(transition) / (1.0 * np.sqrt(DIFFUSION * 1e4))
    assert coefficient == pytest.approx(85.508, rel=2e-3)


def test_potential_under_current_includes_the_ohmic_drop() -> None:
    made = cell(couple(1.0, 1.0), resistance=100.0, capacitance=1e-6)
    response = made.current_control(np.full(5, 1e-3), 1e-5, 1e-5)
    assert response.measured - response.interface == pytest.approx(1e-3)
    assert np.isnan(response.applied).all()


def test_charging_a_capacitor_with_a_current_ramp() -> None:
    made = cell(couple(rate=1e-15), capacitance=1e-5)
    start = made.open_circuit(1.0).measured[-1]
    ends = np.linspace(0, 1e-6, 11)
    response = made.current_control(0.1, ends[:-1], ends[1:])
    assert response.measured[-1] - start == pytest.approx(0.05, rel=1e-4)
    assert response.charge.sum() == pytest.approx(0.5e-6)


def test_open_circuit_reads_nernst() -> None:
    made = cell(couple(1.0, 10.0, rate=1e-4), resistance=100.0, capacitance=1e-6)
    response = made.open_circuit(np.full(10, 1.0))
    assert response.measured == pytest.approx(-THERMAL * np.log(10.0), abs=1e-6)
    assert not response.current.any()


def test_open_circuit_forgets_a_scan() -> None:
    """After a pulse the potential relaxes to where it came from, as the diffusion layer disperses."""
    made = cell(couple(1.0, 1.0, rate=1e-4), resistance=100.0, capacitance=1e-6)
    made.potential_control(np.full(10, 0.1), 0.3, 0.3)
    relaxing = made.open_circuit(np.full(100, 1.0)).measured
    assert relaxing[0] > relaxing[-1] > 0
    assert np.all(np.diff(relaxing) < 0)
    assert relaxing[-1] < 0.01


def test_charge_and_discharge_return_what_was_stored() -> None:
    """A monolayer takes its capacity between two potentials, and gives it back."""
    made = cell(monolayer(reduced=1e-4, rate=100.0), capacitance=1e-5)
    made.potential_control(1.0, -0.2, -0.2)
    step, current = 0.01, 2e-5
    charging = made.current_control(np.full(6000, step), current, current)
    discharging = made.current_control(np.full(6000, step), -current, -current)
    up = int(np.argmax(charging.measured > 0.2))
    full = FARADAY * AREA * 1e-4 + 1e-5 * 0.4
    assert (up + 1) * step * current == pytest.approx(full, rel=2e-3)
    settled = charging.measured[-1]
    assert discharging.measured[5999] < settled
    assert charging.charge.sum() + discharging.charge.sum() == pytest.approx(0.0, abs=1e-12)
    assert discharging.measured[-1] == pytest.approx(-0.2, abs=2e-3)


def test_looking_at_the_open_circuit_changes_nothing() -> None:
    made, other = (load_cell("long-run", seed=3) for _ in range(2))
    steps = np.full(20, 0.01), 0.3, 0.3
    made.potential_control(*steps)
    other.potential_control(*steps)
    seen = made.open_circuit_potential()
    first, second = made.open_circuit(1e-6), other.open_circuit(1e-6)
    assert seen == pytest.approx(first.measured[0], abs=1e-6)
    assert first.measured == second.measured
    assert made.time == other.time
