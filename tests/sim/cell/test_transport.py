"""Diffusion geometries, and what stirring, rotation and temperature do to them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.sim.cell import Cell, CellError, load_cell
from luggin.sim.cell.diffusion import Adsorbed, Film, Hemisphere, Microdisk, Plane, Transport
from support.cells import AREA, DIFFUSION, FARADAY, Floats, cell, couple

RADIUS = 5e-6


def small(shape: str) -> Cell:
    return load_cell(
        {
            "title": "test",
            "source": "round numbers",
            "electrode": {"shape": shape, "radius": RADIUS},
            "couples": [couple()],
        }
    )


def limited(made: Cell, lengths: Floats) -> Floats:
    """Cathodic current, limited by transport."""
    made.potential_control(0.01, 0.5, 0.5)
    return -made.potential_control(lengths, -0.5, -0.5).current


@pytest.mark.parametrize(
    "transport", [Plane(), Hemisphere(1e-5), Microdisk(5e-6), Film(1e-7), Film(1e-5), Film(1e-3), Adsorbed()]
)
@given(st.floats(-3, 5), st.floats(-12, -8))
def test_modes_agree_with_the_closed_form(transport: Transport, decades: float, diffusion: float) -> None:
    """The sum over modes has the diffusion impedance of its geometry, from 1 mHz to 100 kHz."""
    s = np.array([2j * np.pi * 10**decades])
    modes = transport.modes(10**diffusion)
    summed = (modes.weights / (s[:, None] + modes.rates)).sum(axis=1) + modes.immediate
    assert summed == pytest.approx(transport.impedance(s, 10**diffusion), rel=4e-4)
    assert (modes.weights > 0).all()
    assert modes.immediate >= 0


def test_hemisphere_follows_its_exact_transient() -> None:
    time = 1e-3 * np.arange(1, 301)
    exact = FARADAY * 2 * np.pi * RADIUS**2 * DIFFUSION * (1 / RADIUS + 1 / np.sqrt(np.pi * DIFFUSION * time))
    assert np.abs(limited(small("hemisphere"), np.full(300, 1e-3)) / exact - 1).max() < 2e-5


def test_microdisk_transient_and_steady_state() -> None:
    """4 n F D c a (Saito 1968, from memory): 1.92971 nA; on the way there the series of Mahon & Oldham (2005, from
    memory; in t D/a2)."""
    made = small("microdisk")
    steady = limited(made, np.full(40, 1e3))[-1]
    assert steady == pytest.approx(1.92971e-9, rel=2e-3)
    step = 2e-4
    theta = DIFFUSION * step * np.arange(1, 501) / RADIUS**2
    early = 1 / np.sqrt(np.pi * theta) + 1 + np.sqrt(theta / (4 * np.pi)) - 3 * theta / 25 + 3 * theta**1.5 / 226
    late = 4 / np.pi + 8 / np.sqrt(np.pi**5 * theta) + 25 * theta**-1.5 / 2792 - theta**-2.5 / 3880
    series = np.pi * FARADAY * DIFFUSION * RADIUS * np.where(theta < 1.281, early, late)
    current = limited(small("microdisk"), np.full(500, step))
    assert np.abs(current / series - 1).max() < 2e-3


def test_stirring_gives_a_steady_layer_and_stops_again() -> None:
    """n F A D c/layer; once the stirrer stands still the current falls on, and comes back with it."""
    made = cell(couple(), stirring={"layer": 2e-5})
    made.stir(True)
    steady = FARADAY * AREA * DIFFUSION / 2e-5
    assert limited(made, np.full(100, 0.1))[-1] == pytest.approx(steady, rel=1e-6)
    made.stir(False)
    still = -made.potential_control(np.full(100, 0.1), -0.5, -0.5).current
    assert np.all(np.diff(still) < 0)
    assert still[-1] < 0.5 * steady
    made.stir(True)
    again = -made.potential_control(np.full(100, 0.1), -0.5, -0.5).current
    assert again[-1] == pytest.approx(steady, rel=1e-3)


@pytest.mark.parametrize("turns", [400, 1600])
def test_rotation_follows_levich(turns: float) -> None:
    """i = 0.620 n F A D^2/3 nu^-1/6 omega^1/2 c (Levich; Bard & Faulkner, from memory)."""
    made = cell(couple())
    made.rotate(turns / 60)
    omega = 2 * np.pi * turns / 60
    levich = 0.620 * FARADAY * AREA * DIFFUSION ** (2 / 3) * 0.893e-6 ** (-1 / 6) * omega**0.5
    assert limited(made, np.full(50, 0.1))[-1] == pytest.approx(levich, rel=3e-3)


def test_temperature_speeds_diffusion_and_widens_waves() -> None:
    made, warm = cell(couple()), cell(couple())
    warm.set_temperature(308.15)
    ratio = limited(warm, np.full(10, 0.1))[-1] / limited(made, np.full(10, 0.1))[-1]
    assert ratio == pytest.approx(np.exp(0.02 * 10 / 2), rel=1e-4)
    nernst = cell(couple(1.0, 10.0, rate=1e-4), capacitance=1e-6)
    nernst.set_temperature(308.15)
    assert nernst.open_circuit(np.full(20, 5.0)).measured[-1] == pytest.approx(
        -8.31446 * 308.15 / FARADAY * np.log(10), abs=1e-5
    )


def test_conditions_that_make_no_sense_are_refused() -> None:
    made = cell(couple())
    with pytest.raises(CellError, match="250 K and 400 K"):
        made.set_temperature(25.0)
    with pytest.raises(CellError, match="1000 Hz"):
        made.rotate(-1.0)
