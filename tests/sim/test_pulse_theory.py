"""Pulse and stripping techniques against theory, as the executor carries them out: a technique's parameters go in,
points of the ideal instrument come out.

Published values are those of tests/reference/voltammetry.toml with their sources, "from memory" where that is said;
"computed" are independent calculations.  Pulses are sampled in the last 0.2 % of their width, which makes the mean of
a Cottrell current 0.1 % larger than its end value at most.
"""

from typing import Any

import numpy as np
import pytest

from luggin.protocol.points import Array
from luggin.protocol.techniques.base import Measurement
from luggin.protocol.techniques.pulses import DifferentialPulse, NormalPulse, SquareWave, StaircaseVoltammetry
from luggin.protocol.techniques.sweeps import LinearSweep
from support.bench import Bench, block, hold, program
from support.cells import AREA, DIFFUSION, FARADAY, PUBLISHED, THERMAL, Floats, couple, monolayer, peak, rows

LATE = 2e-3
"""The sampling window as a share of the pulse width."""


def document(*couples: dict[str, Any]) -> dict[str, Any]:
    """A cell of 1 cm2 without resistance and double layer."""
    electrode = {"shape": "plane", "area": AREA}
    return {"title": "theory", "source": "round numbers", "electrode": electrode, "couples": list(couples)}


def measured(cell: dict[str, Any], measurement: Measurement, rest: float | None = None) -> dict[str, Array]:
    """Points of a measurement, after 0.1 s at the potential `rest` (V)."""
    before = [] if rest is None else [block(hold(rest, 0.1, None))]
    bench = Bench(cell, ideal=True, speed=1e6)
    points = bench.run(program(*before, *measurement.blocks(1)))
    return {name: column.astype(float) for name, column in points.items()}


def cottrell(time: float) -> float:
    """n F A c sqrt(D/(pi t)) of 1 mM, in A."""
    return float(FARADAY * AREA * np.sqrt(DIFFUSION / (np.pi * time)))


def summit(potential: Floats, height: Floats) -> tuple[float, float]:
    """Largest value of a coarsely sampled peak, by a parabola through three points."""
    k = int(np.argmax(height))
    a, b, c = np.polyfit(potential[k - 1 : k + 2] - potential[k], height[k - 1 : k + 2], 2)
    return float(potential[k] - b / (2 * a)), float(c - b * b / (4 * a))


def width(potential: Floats, height: Floats) -> float:
    """Width at half height (V)."""
    k = int(np.argmax(height))
    half = summit(potential, height)[1] / 2
    left = np.interp(half, height[: k + 1], potential[: k + 1])
    return float(abs(left - np.interp(-half, -height[k:], potential[k:])))


def square_wave(amplitude: float, step: float) -> tuple[Floats, Floats]:
    """Staircase potential (V) and dimensionless net current of a cathodic scan about E1/2 = 0."""
    half = 10e-3
    span = round(0.2 / step) * step
    points = measured(
        document(couple()),
        SquareWave(
            initial_potential=span,
            final_potential=-span,
            step=step,
            amplitude=amplitude,
            frequency=0.5 / half,
            sampling_window=LATE * half,
        ),
        rest=span + 0.1,
    )
    np.testing.assert_allclose(points["current"], points["forward_current"] - points["reverse_current"], atol=1e-9)
    return points["applied_potential"], -points["current"] / cottrell(half)


@pytest.mark.parametrize(("amplitude", "step", "published"), PUBLISHED["square_wave_net_peak"]["rows"])
def test_square_wave_net_peak(amplitude: float, step: float, published: float) -> None:
    """Dimensionless net peak current, Osteryoung & O'Dea 1986 as in Bard & Faulkner, Table 7.3.2 (from memory)."""
    base, net = square_wave(max(amplitude, 1e-9) / 1e3, step / 1e3)
    assert summit(base, net)[1] == pytest.approx(published, rel=5e-3, abs=1e-4)


@pytest.mark.parametrize(("amplitude", "step", "computed"), [(25, 10, 101.0), (25, 1, 99.3), (50, 10, 125.8)])
def test_square_wave_width(amplitude: float, step: float, computed: float) -> None:
    """Half-width in mV against n Esw and n dEs in mV; computed.  25/10 has the net peak 0.5798, computed."""
    base, net = square_wave(amplitude / 1e3, step / 1e3)
    assert width(base, net) * 1e3 == pytest.approx(computed, abs=0.4)
    if (amplitude, step) == (25, 10):
        assert summit(base, net)[1] == pytest.approx(0.5798, rel=2e-3)


@pytest.mark.parametrize(
    ("amplitude", "published", "computed"),
    rows("differential_pulse_height", "amplitude", "published", "computed"),
)
def test_differential_pulse(amplitude: float, published: float, computed: float) -> None:
    """Height over the Cottrell current: Parry & Osteryoung, Anal. Chem. 37 (1965) 1634 (from memory), and computed.

    The peak lies at E1/2 - dE/2; its half-width is 3.52 RT/nF = 90.4/n mV in the limit of small pulses (Bard &
    Faulkner, from memory), 90.58, 99.1 and 123.5 mV at 10, 50 and 100 mV (computed).  The table neglects what earlier
    pulses used up, hence 5 ms every 0.5 s.
    """
    pulse, direction = 5e-3, -1
    points = measured(
        document(couple()),
        DifferentialPulse(
            initial_potential=0.25,
            final_potential=-0.20,
            step=5e-3,
            pulse_amplitude=amplitude / 1e3,
            pulse_width=pulse,
            period=0.5,
            sampling_window=LATE * pulse,
        ),
        rest=0.25,
    )
    base, height = points["applied_potential"], direction * points["current"] / cottrell(pulse)
    where, top = summit(base, height)
    assert top == pytest.approx(computed, rel=5e-3)
    assert top == pytest.approx(published, rel=6e-3)
    assert where - amplitude / 2e3 == pytest.approx(0.0, abs=2e-4)
    wanted = {10: 90.58, 50: 99.1, 100: 123.5}
    if amplitude in wanted:
        assert width(base, height) * 1e3 == pytest.approx(wanted[int(amplitude)], abs=0.5)


def test_normal_pulse_wave() -> None:
    """Reversible wave: E1/4 - E3/4 = 56.4/n mV (Bard & Faulkner, from memory), computed 56.45; the plateau is the
    Cottrell current."""
    pulse = 5e-3
    points = measured(
        document(couple()),
        NormalPulse(
            initial_potential=0.3,
            final_potential=-0.3,
            step=5e-3,
            pulse_width=pulse,
            period=0.5,
            sampling_window=LATE * pulse,
        ),
        rest=0.3,
    )
    wave = -points["current"] / cottrell(pulse)
    assert wave[-1] == pytest.approx(1.0, rel=3e-3)
    quarter, three = np.interp([0.25, 0.75], wave / wave[-1], points["applied_potential"])
    assert (quarter - three) * 1e3 == pytest.approx(56.45, abs=0.3)
    assert np.interp(0.5, wave / wave[-1], points["applied_potential"]) == pytest.approx(0.0, abs=5e-4)


@pytest.mark.parametrize(("step", "place", "computed"), PUBLISHED["staircase_peak"]["rows"])
def test_a_staircase_is_no_ramp(step: float, place: float, computed: float) -> None:
    """Peak function against step in mV and the place in the step where it is sampled; computed.  A ramp has 0.4463."""
    period = step / 1e3 / 0.1
    points = measured(
        document(couple()),
        StaircaseVoltammetry(
            initial_potential=0.25,
            final_potential=-0.15,
            step=step / 1e3,
            period=period,
            sampling_fraction=place,
            sampling_window=max(LATE * period * place, 1e-5),
        ),
        rest=0.25,
    )
    function = -points["current"] / (FARADAY * AREA * np.sqrt(DIFFUSION * 0.1 / THERMAL))
    assert peak(points["applied_potential"], function)[1] == pytest.approx(computed, rel=2e-3)


def test_stripping_of_a_monolayer() -> None:
    """ip = n2 F2 v A G/(4 R T), width 90.6/n mV at E0 (Bard & Faulkner, from memory); computed 9.3884 uA, 90.579 mV."""
    sweep = LinearSweep(initial_potential=-0.3, final_potential=0.3, scan_rate=0.1, step=1e-3)
    points = measured(document(monolayer()), sweep)
    where, height = peak(points["applied_potential"], points["current"])
    assert height == pytest.approx(9.3884e-6, rel=1e-3)
    assert where == pytest.approx(0.0, abs=1e-4)
    assert width(points["applied_potential"], points["current"]) * 1e3 == pytest.approx(90.579, abs=0.1)


@pytest.mark.parametrize(("thickness", "rate"), [(1e-6, 0.05), (5e-7, 0.02)])
def test_stripping_from_a_thin_film(thickness: float, rate: float) -> None:
    """ip = 1.1157e6 n2 A l C v, half-width 75.53/n mV, n (Ep - E1/2) = -1.43 + 29.58 log10 H mV with
    H = l2 n F v/(R T D) (de Vries & van Dalen 1967, from memory; A in cm2, l in cm, C in mol/cm3, v in V/s); computed
    1.1152e6, 75.55 mV."""
    metal = {"kind": "film", "name": "metal", "concentration": 10.0, "diffusion": 1e-9, "thickness": thickness}
    ion = {"kind": "dissolved", "name": "ion", "diffusion": 1e-9}
    film = {"formal_potential": 0.0, "electrons": 1, "oxidised": ion, "reduced": metal}
    sweep = LinearSweep(initial_potential=-0.45, final_potential=0.15, scan_rate=rate, step=0.5e-3)
    points = measured(document(film), sweep)
    where, height = peak(points["applied_potential"], points["current"])
    assert height == pytest.approx(1.1152e6 * 1.0 * thickness * 1e2 * 10e-6 * rate, rel=3e-3)
    assert width(points["applied_potential"], points["current"]) * 1e3 == pytest.approx(75.55, abs=0.3)
    group = thickness**2 * rate / (THERMAL * 1e-9)
    assert where * 1e3 == pytest.approx(-1.43 + 29.58 * np.log10(group), abs=0.3)
