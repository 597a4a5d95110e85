"""Steps, pulses and staircases against published values (tests/reference/voltammetry.toml)."""

import numpy as np
import pytest

from luggin.sim.cell import Cell
from support.cells import AREA, DIFFUSION, FARADAY, PUBLISHED, THERMAL, Floats, cell, couple, peak, rows


def cottrell(time: float | Floats) -> Floats:
    return np.asarray(FARADAY * AREA * np.sqrt(DIFFUSION / (np.pi * time)))


def at_rest(potential: float) -> Cell:
    made = cell(couple())
    made.potential_control(0.1, potential, potential)
    return made


def summit(potential: Floats, height: Floats) -> tuple[float, float]:
    """Largest value of a coarsely sampled peak, by a parabola through three points."""
    k = int(np.argmax(height))
    a, b, c = np.polyfit(potential[k - 1 : k + 2] - potential[k], height[k - 1 : k + 2], 2)
    return float(potential[k] - b / (2 * a)), float(c - b * b / (4 * a))


def width(potential: Floats, height: Floats) -> float:
    """Width at half height."""
    k = int(np.argmax(height))
    half = summit(potential, height)[1] / 2
    left = np.interp(half, height[: k + 1], potential[: k + 1])
    return float(abs(left - np.interp(-half, -height[k:], potential[k:])))


@pytest.mark.parametrize("step", [1.0, 0.1, 0.005])
def test_cottrell_and_anson(step: float) -> None:
    """i = n F A c sqrt(D/(pi t)), Q = 2 i t; 172.142 uA and 344.28 uC at 1 s, 1 cm2, 1 mM, 1e-5 cm2/s."""
    time = step * np.arange(1, round(1 / step) + 1)
    response = at_rest(0.5).potential_control(np.full(len(time), step), -0.5, -0.5)
    assert np.abs(response.current / -cottrell(time) - 1).max() < 3e-5
    assert response.current[-1] == pytest.approx(-172.142e-6, rel=1e-5)
    assert response.charge.sum() == pytest.approx(-344.28e-6, rel=2e-5)


def test_double_step() -> None:
    """Back after tau: current ratio 0.293 and charge ratio 0.586 at 2 tau (Bard & Faulkner, from memory); computed
    0.29289 and 0.58579."""
    made = at_rest(0.5)
    there = made.potential_control(np.full(20, 0.05), -0.5, -0.5)
    back = made.potential_control(np.full(20, 0.05), 0.5, 0.5)
    assert -back.current[-1] / there.current[-1] == pytest.approx(0.29289, abs=5e-5)
    assert -back.charge.sum() / there.charge.sum() == pytest.approx(0.58579, abs=1e-5)


@pytest.mark.parametrize(
    ("amplitude", "published", "computed"),
    rows("differential_pulse_height", "amplitude", "published", "computed"),
)
def test_differential_pulse(amplitude: float, published: float, computed: float) -> None:
    """Height; peak potential E1/2 - dE/2. The table neglects what earlier pulses used up, hence 50 ms every 5 s."""
    pulse, base = 0.05, 0.25 - 0.004 * np.arange(126)
    lengths = np.tile([5.0, pulse], len(base))
    levels = np.stack([base, base - amplitude / 1e3], axis=1).ravel()
    current = at_rest(base[0]).potential_control(lengths, levels, levels).current
    height = -(current[1::2] - current[::2]) / cottrell(pulse)
    where, top = summit(base, height)
    assert top == pytest.approx(computed, rel=2e-3)
    assert top == pytest.approx(published, rel=5e-3)
    assert where - amplitude / 2e3 == pytest.approx(0.0, abs=1e-4)
    wanted = {10: 90.58, 50: 99.1, 100: 123.5}  # 3.52 RT/nF in the limit of small pulses (B&F, from memory); computed
    if amplitude in wanted:
        assert width(base, height) * 1e3 == pytest.approx(wanted[int(amplitude)], abs=0.5)


def test_normal_pulse_slope() -> None:
    """Reversible wave: E1/4 - E3/4 = 56.4/n mV (Bard & Faulkner, from memory); computed 56.45."""
    levels = 0.12 - 0.004 * np.arange(61)
    made = at_rest(0.5)
    steps = np.stack([np.full(61, 0.5), levels], axis=1).ravel()
    wave = -made.potential_control(np.tile([5.0, 0.05], 61), steps, steps).current[1::2] / cottrell(0.05)
    quarter, three = np.interp([0.25, 0.75], wave, levels)
    assert (quarter - three) * 1e3 == pytest.approx(56.45, abs=0.3)


@pytest.mark.parametrize(("amplitude", "increment", "published"), PUBLISHED["square_wave_net_peak"]["rows"])
def test_square_wave_net_peak(amplitude: float, increment: float, published: float) -> None:
    base, height = square_wave(amplitude / 1e3, increment / 1e3)
    assert summit(base, height)[1] == pytest.approx(published, rel=3e-3 if increment == 20 else 6e-4, abs=1e-4)


def test_square_wave_width() -> None:
    """Computed: n Esw 25 mV, n dEs 10 mV: net peak 0.5798, half-width 101.0 mV; 50/10: 125.8 mV."""
    base, height = square_wave(0.025, 0.010)
    assert summit(base, height)[1] == pytest.approx(0.5798, rel=2e-3)
    assert width(base, height) * 1e3 == pytest.approx(101.0, abs=0.4)
    base, height = square_wave(0.050, 0.010)
    assert width(base, height) * 1e3 == pytest.approx(125.8, abs=0.4)


def square_wave(amplitude: float, increment: float) -> tuple[Floats, Floats]:
    """Staircase potential and dimensionless net current of a cathodic square-wave scan, E1/2 on the staircase."""
    half = 0.01
    count = int(0.2 / increment)
    base = increment * np.arange(count, -count - 1, -1)
    levels = np.stack([base - amplitude, base + amplitude], axis=1).ravel()
    current = at_rest(base[0] + 0.1).potential_control(half, levels, levels).current
    return base, (current[1::2] - current[::2]) / cottrell(half)


@pytest.mark.parametrize(("step", "place", "computed"), PUBLISHED["staircase_peak"]["rows"])
def test_staircase_is_no_ramp(step: float, place: float, computed: float) -> None:
    """What a staircase gives depends on where in the step it is sampled."""
    levels = np.arange(0.25, -0.15, -step / 1e3)
    tread = step / 1e3 / 0.1
    parts = [tread] if place == 1 else [place * tread, (1 - place) * tread]
    many = np.repeat(levels, len(parts))
    response = at_rest(0.25).potential_control(np.tile(parts, len(levels)), many, many)
    function = response.current[:: len(parts)] / (FARADAY * AREA * np.sqrt(DIFFUSION * 0.1 / THERMAL))
    assert peak(levels, -function)[1] == pytest.approx(computed, abs=3e-4)


def test_pulse_through_a_resistance_decays_as_rc() -> None:
    """Without a reaction the current is (dE/R) exp(-t/RC), exactly, at any step."""
    made = cell(couple(rate=1e-12), resistance=100.0, capacitance=1e-5)
    made.potential_control(0.1, 0.4, 0.4)
    response = made.potential_control(np.full(20, 2.5e-4), 0.5, 0.5)
    time = 2.5e-4 * np.arange(1, 21)
    assert response.current == pytest.approx(1e-3 * np.exp(-time / 1e-3), rel=1e-5)
    assert response.charge.sum() == pytest.approx(1e-6 * (1 - np.exp(-5)), rel=1e-5)
