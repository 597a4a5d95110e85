"""Gas, reference, wear, counter electrode, compliance; and a metal that pits."""

from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from luggin.sim.cell import Cell, CellError, Response, load_cell
from support.cells import Floats, cell, couple, sweep


def limited_oxygen(made: Cell) -> float:
    """Oxygen's cathodic current, 5 s after a step."""
    made.potential_control(0.1, 0.2, 0.2)
    return float(-made.potential_control(np.full(50, 0.1), -0.5, -0.5).current[-1])


def test_purging_removes_oxygen_and_air_brings_it_back() -> None:
    made = load_cell("oxygen")
    before = limited_oxygen(made)
    made.purge(True)
    made.open_circuit(np.full(60, 10.0))
    purged = limited_oxygen(made)
    made.purge(False)
    made.open_circuit(np.full(60, 200.0))
    back = limited_oxygen(made)
    assert purged < 0.05 * before
    assert back == pytest.approx(before, rel=0.02)  # what was used up diffuses back slowly


def test_a_drifting_reference_shifts_the_wave() -> None:
    """The reference gains 10 mV in 1000 s: the half-wave read against it falls by as much, and open circuit too."""
    steady, drifting = (
        cell(couple(1.0, 1.0, rate=1e-3), capacitance=1e-6, reference={"drift": drift}) for drift in (0.0, 1e-5)
    )
    for made in (steady, drifting):
        made.open_circuit(np.full(10, 100.0))
    assert steady.open_circuit(1.0).measured[0] - drifting.open_circuit(1.0).measured[0] == pytest.approx(
        0.01, rel=2e-3
    )
    held = drifting.potential_control(np.full(5, 1.0), 0.1, 0.1)
    assert held.measured == pytest.approx(0.1)
    assert held.interface == pytest.approx(0.11, abs=1e-4)


def wander(seed: int) -> Floats:
    made = cell(couple(1.0, 1.0, rate=1e-3), capacitance=1e-6, seed=seed, reference={"wander": "2 mV"})
    return made.open_circuit(np.full(100, 36.0)).measured


def test_a_wandering_reference_repeats_with_its_seed() -> None:
    assert (wander(1) == wander(1)).all()
    assert (wander(1) != wander(2)).any()
    ends = np.array([wander(seed)[-1] for seed in range(24)])
    assert 1e-3 < ends.std() < 3.5e-3


def test_an_ageing_electrode_loses_its_current_but_not_its_double_layer() -> None:
    made = cell(couple(1.0, 1.0), capacitance=1e-6, ageing={"half_life": "1 h"})
    fresh = peak_current(made)
    made.open_circuit(np.full(36, 100.0))
    assert peak_current(made) == pytest.approx(fresh / 2, rel=0.02)


def peak_current(made: Cell) -> float:
    made.potential_control(np.full(10, 1.0), 0.3, 0.3)
    _, response = sweep(made, 0.1, 0.3, -0.3, step=2e-3)
    return float(-response.current.min())


COUNTER: dict[str, Any] = {"resistance": 1e3, "rest_potential": 0.2, "exchange_current": 1e-5, "scale": 0.05}


def test_cell_voltage_is_working_against_counter() -> None:
    made = cell(couple(rate=1e-15), resistance=100.0, capacitance=1e-6, counter=COUNTER)
    response = made.current_control(1e-4, 1e-4, 1e-4)
    polarised = 0.05 * np.arcsinh(1e-4 / 2e-5)
    assert response.voltage - response.measured == pytest.approx(-0.2 + polarised + 0.1)


def test_compliance_holds_the_cell_back_and_lets_go() -> None:
    """A resistor of 10 kohm at 2 V compliance takes 0.2 mA at most; below that it does as it is told."""
    made = load_cell("dummy-resistor")
    response = made.current_control(0.1, [1e-4, 5e-4, -1e-3, 1e-4], [1e-4, 5e-4, -1e-3, 1e-4], compliance=2.0)
    assert response.current == pytest.approx([1e-4, 2e-4, -2e-4, 1e-4], rel=1e-5)
    assert response.limited.tolist() == [False, True, True, False]
    assert response.voltage == pytest.approx([1, 2, -2, 1], abs=1e-5)


def test_compliance_under_potential_control() -> None:
    """A pulse that would need more than the compliance voltage charges the interface more slowly, and gets there."""
    made = cell(couple(rate=1e-15), resistance=100.0, capacitance=1e-5, counter={**COUNTER, "rest_potential": 0.0})
    made.potential_control(1.0, 0.0, 0.0, compliance=1.0)
    response = made.potential_control(np.full(80, 4e-4), 0.5, 0.5, compliance=1.0)
    held = response.limited
    assert held[0]
    assert not held[-1]
    assert np.abs(response.voltage).max() <= 1.0
    assert response.voltage[held] == pytest.approx(1.0, abs=1e-5)
    assert (response.measured[held] < 0.5).all()
    assert response.measured[~held] == pytest.approx(0.5)
    assert np.all(np.diff(response.interface) >= 0)
    assert response.interface[-1] == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize("compliance", [0.0, -1.0, np.nan])
def test_a_compliance_that_makes_no_sense_is_refused(compliance: float) -> None:
    with pytest.raises(CellError, match="compliance"):
        load_cell("dummy-resistor").current_control(0.1, 0.0, 0.0, compliance=compliance)


def test_compliance_that_is_never_reached_changes_nothing() -> None:
    free, bounded = load_cell("redox-probe"), load_cell("redox-probe")
    steps = np.full(50, 0.01), np.linspace(0.5, 0.0, 50), np.linspace(0.49, -0.01, 50)
    one, other = free.potential_control(*steps), bounded.potential_control(*steps, compliance=10.0)
    for column in fields(Response):
        np.testing.assert_array_equal(getattr(one, column.name), getattr(other, column.name))


def test_corroding_metal_rests_and_polarises_as_its_tafel_lines_say() -> None:
    """Stern and Geary: the resistance at rest is B/icorr, with ba = bc = 0.12 V and B = 26.05 mV (ASTM G59)."""
    made = load_cell("corroding")
    assert made.open_circuit(np.full(10, 10.0)).measured[-1] == pytest.approx(-0.55, abs=1e-6)
    resistance = abs(made.impedance(1e-4)) - 20
    assert resistance == pytest.approx(26.05e-3 / 10e-6, rel=1e-3)
    far = made.potential_control(np.full(50, 1.0), -0.31, -0.31)
    assert far.current[-1] == pytest.approx(10e-6 * 10 ** ((far.interface[-1] + 0.55) / 0.12), rel=1e-3)


def test_pits_make_a_loop() -> None:
    """Forwards passive until the pitting potential; backwards the pits stay alive until repassivation."""
    made = load_cell("pitting")
    potential, response = sweep(made, 0.002, -0.2, 0.45, -0.2, step=2e-3)
    turn = len(potential) // 2
    forth, back = response.current[:turn], response.current[turn:]

    def out(where: float) -> float:
        return float(np.interp(where, potential[:turn], forth))

    def home(where: float) -> float:
        return float(np.interp(where, potential[turn:][::-1], back[::-1]))

    assert out(0.2) == pytest.approx(1e-6, rel=0.2)
    assert out(0.44) > 1e-3
    assert home(0.2) > 5e-4
    assert abs(home(-0.1)) < 2e-6
