"""Impedance: closed forms, the response in time against the one in frequency, and a Randles circuit that emerges."""

import numpy as np
import pytest

from luggin.sim.cell import Cell, CellError, load_cell
from support.cells import AREA, DIFFUSION, FARADAY, THERMAL, cell, couple, monolayer


def from_time(made: Cell, frequency: float, *, amplitude: float = 1e-3, points: int = 96, cycles: int = 12) -> complex:
    """Impedance by stepping through a sine: means over the steps, the last 8 cycles, freed of their drift."""
    phase = np.arange(cycles * points + 1) / points
    potential = amplitude * np.sin(2 * np.pi * phase)
    length = 1 / (frequency * points)
    response = made.potential_control(length, potential[:-1], potential[1:])
    middle = ((phase[1:] + phase[:-1]) / 2)[-8 * points :]
    turn = 2 * np.pi * middle
    model = np.stack([np.ones_like(middle), middle, np.cos(turn), np.sin(turn)], axis=1)
    current = np.linalg.lstsq(model, response.charge[-8 * points :] / length)[0]
    driven = np.linalg.lstsq(model, (potential[1:] + potential[:-1])[-8 * points :] / 2)[0]
    return complex((driven[2] - 1j * driven[3]) / (current[2] - 1j * current[3]))


@pytest.mark.parametrize("frequency", [0.5, 20.0, 1e3, 2e4])
@pytest.mark.parametrize(
    ("rate", "resistance", "capacitance"), [(2e-4, 120.0, 1.4e-6), (None, 120.0, 2e-5), (1e-6, 50.0, 2e-5)]
)
def test_time_and_frequency_agree(frequency: float, rate: float | None, resistance: float, capacitance: float) -> None:
    made = cell(couple(1.0, 1.0, rate=rate), resistance=resistance, capacitance=capacitance)
    made.potential_control(1.0, 0.0, 0.0)
    ratio = from_time(made, frequency) / made.impedance(frequency)
    assert abs(ratio) == pytest.approx(1, abs=1e-3)
    assert np.degrees(np.angle(ratio)) == pytest.approx(0, abs=0.1)


def test_time_and_frequency_agree_on_a_monolayer() -> None:
    made = cell(monolayer(0.5e-6, 0.5e-6, rate=100.0), resistance=100.0, capacitance=2e-5)
    made.potential_control(1.0, 0.0, 0.0)
    ratio = from_time(made, 20.0) / made.impedance(20.0)
    assert abs(ratio) == pytest.approx(1, abs=1e-3)
    assert np.degrees(np.angle(ratio)) == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize(("frequency", "closed"), [(15.9155, 60 - 50j), (10.0, 81.6957 - 45.0477j)])
def test_resistor_and_parallel_rc(frequency: float, closed: complex) -> None:
    """10 ohm + (100 ohm parallel 100 uF), closed form."""
    made = load_cell(
        {
            "title": "test",
            "source": "closed form",
            "interface": {"series_resistance": 10.0, "double_layer": 1e-4, "leak_resistance": 100.0},
        }
    )
    assert made.impedance(frequency) == pytest.approx(closed, rel=1e-5)
    ratio = from_time(made, frequency) / closed
    assert abs(ratio) == pytest.approx(1, abs=1e-3)
    assert np.degrees(np.angle(ratio)) == pytest.approx(0, abs=0.1)


def test_randles_semicircle_and_warburg_line() -> None:
    """Rct = R T/(n2 F2 A k0 c) spans the semicircle; below it the phase of the Warburg element is 45 degrees with
    sigma = 2 R T/(n2 F2 A c sqrt(2 D)) (Bard & Faulkner, from memory)."""
    concentration, rate = 10.0, 2e-6
    made = cell(couple(concentration, concentration, rate=rate), resistance=100.0, capacitance=1e-7)
    transfer = THERMAL / (FARADAY * AREA * rate * concentration)
    frequency = np.geomspace(1e-2, 1e7, 181)
    impedance = made.impedance(frequency)
    arc = (frequency > 500) & (frequency < 1e6)
    centre = 100 + transfer / 2
    assert np.abs(np.abs(impedance[arc] - centre) - transfer / 2).max() < 0.02 * transfer
    assert (-impedance.imag[arc]).max() == pytest.approx(transfer / 2, rel=0.03)
    sigma = 2 * THERMAL / (FARADAY * AREA * concentration * np.sqrt(2 * DIFFUSION))
    diffusing = made.impedance(1e-2) - 100 - transfer
    assert np.degrees(np.angle(diffusing)) == pytest.approx(-45, abs=0.1)
    assert diffusing.real == pytest.approx(sigma / np.sqrt(2 * np.pi * 1e-2), rel=2e-3)


def test_shipped_randles_cell_states_its_charge_transfer_resistance() -> None:
    made = load_cell("randles")
    made.potential_control(np.full(10, 1.0), 0.25, 0.25)
    real = made.impedance([2e5, 300.0]).real
    assert real[0] == pytest.approx(100, rel=0.01)
    assert 140 < THERMAL / (FARADAY * 7.0686e-6 * 5e-5 * 5.0) < 160


def test_impedance_does_not_advance_the_cell() -> None:
    made = load_cell("redox-probe")
    before = made.time
    first = made.impedance(np.array([1.0, 10.0]))
    assert (made.impedance(np.array([1.0, 10.0])) == first).all()
    assert made.time == before


@pytest.mark.parametrize("frequency", [0.0, -1.0, np.nan, np.inf])
def test_a_frequency_that_makes_no_sense_is_refused(frequency: float) -> None:
    with pytest.raises(CellError, match="frequency"):
        load_cell("randles").impedance(frequency)
