"""Pulse voltammetry and stripping against theory, down the whole road: method files go in, tables come out.

The instrument is the ideal model of the simulator; the cells are those of theory, without resistance or double layer.
Scans are anodic.  Pulses are sampled in the last 0.2 % of their width.  Constants: CODATA 2018 (scipy.constants).
"""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.constants import N_A, R, e

from support.laboratory import at, opened, written

F = N_A * e
T = 298.15
AREA, CONCENTRATION, DIFFUSION = 1e-4, 1.0, 1e-9  # 1 cm2, 1 mM, 1e-5 cm2/s
THICKNESS, METAL, RATE = 1e-6, 10.0, 0.05  # of the film: m, mol/m3, V/s
Floats = NDArray[np.float64]

COUPLE = """
title = "One reversible couple as in theory"
source = "invented: the round numbers of textbooks"
[electrode]
shape = "plane"
area = "1 cm2"
[[couples]]
formal_potential = "0 V"
oxidised = { kind = "dissolved", name = "o", concentration = "0 M", diffusion = "1e-5 cm2/s" }
reduced = { kind = "dissolved", name = "r", concentration = "1 mM", diffusion = "1e-5 cm2/s" }
"""
FILM = """
title = "A metal in a thin film over a solution without its ion, as in theory"
source = "invented: the round numbers of textbooks"
[electrode]
shape = "plane"
area = "1 cm2"
[[couples]]
formal_potential = "0 V"
oxidised = { kind = "dissolved", name = "ion", diffusion = "1e-5 cm2/s" }
reduced = { kind = "film", name = "metal", concentration = "10 mM", diffusion = "1e-5 cm2/s", thickness = "1 um" }
"""
SETTLE = '[[phases]]\nphase = "settle"\nduration = "0.5 s"'
SQUARE_WAVE = """
initial_potential = "-0.2 V"
final_potential = "0.2 V"
step = "10 mV"
amplitude = "25 mV"
frequency = "50 Hz"
sampling_window = "20 us"
"""
DIFFERENTIAL = """
initial_potential = "-0.25 V"
final_potential = "0.2 V"
step = "5 mV"
pulse_amplitude = "50 mV"
pulse_width = "5 ms"
period = "0.5 s"
sampling_window = "10 us"
"""
NORMAL = """
initial_potential = "-0.3 V"
final_potential = "0.3 V"
step = "5 mV"
pulse_width = "5 ms"
period = "0.5 s"
sampling_window = "10 us"
"""
DEPOSIT = '[[phases]]\nphase = "deposit"\npotential = "-0.45 V"\nduration = "1 s"'
STRIP = 'initial_potential = "-0.45 V"\nfinal_potential = "0.15 V"\nscan_rate = "50 mV/s"\nstep = "0.5 mV"'


async def test_pulses_and_stripping_down_the_whole_road(tmp_path: Path) -> None:
    """Square wave, n Esw 25 mV, n dEs 10 mV: net peak 0.5798, half-width 101.0 mV (computed).

    Differential pulse of 50 mV: height .453 of the Cottrell current (Parry & Osteryoung, Anal. Chem. 37 (1965) 1634,
    from memory), computed .4515, half-width 99.1 mV; its peak lies dE/2 before E1/2.
    Normal pulse: E1/4 - E3/4 = 56.4/n mV (Bard & Faulkner, from memory), computed 56.45.
    Thin film: ip = 1.1157e6 n2 A l C v, half-width 75.53/n mV, n (Ep - E1/2) = -1.43 + 29.58 log10 H mV with
    H = l2 n F v/(R T D) (de Vries & van Dalen 1967, from memory); computed 1.1152e6, 75.55 mV.
    """
    for name, text in (("couple", COUPLE), ("film", FILM)):
        (tmp_path / f"{name}.toml").write_text(text)
    cells = {name: {"cell": str(tmp_path / f"{name}.toml"), "ideal": True} for name in ("couple", "film")}
    async with opened(tmp_path, cells) as laboratory:
        found = await laboratory.measure(
            {
                "square": ("couple", written("square-wave-voltammetry", SQUARE_WAVE, SETTLE)),
                "differential": ("couple", written("differential-pulse-voltammetry", DIFFERENTIAL, SETTLE)),
                "normal": ("couple", written("normal-pulse-voltammetry", NORMAL, SETTLE)),
                "film": ("film", written("linear-sweep-stripping-voltammetry", STRIP, DEPOSIT)),
            }
        )
    curves = {}
    for name, columns in found.items():
        measured = columns["phase"] == 1
        assert (columns["flags"][measured] == 0).all()
        curves[name] = at(columns, "applied_potential")[measured], at(columns, "current")[measured]
    wave = found["square"]
    forward, reverse = (at(wave, name)[wave["phase"] == 1] for name in ("forward_current", "reverse_current"))
    np.testing.assert_allclose(curves["square"][1], forward - reverse, rtol=1e-5, atol=1e-10)

    potential, current = curves["square"]
    assert _summit(potential, current / _cottrell(10e-3))[1] == pytest.approx(0.5798, rel=5e-3)
    assert _width(potential, current) * 1e3 == pytest.approx(101.0, abs=0.4)
    potential, current = curves["differential"]
    where, height = _summit(potential, current / _cottrell(5e-3))
    assert height == pytest.approx(0.4515, rel=5e-3)
    assert height == pytest.approx(0.453, rel=6e-3)
    assert where == pytest.approx(-25e-3, abs=2e-4)
    assert _width(potential, current) * 1e3 == pytest.approx(99.1, abs=0.5)
    potential, current = curves["normal"]
    quarter, three = np.interp([0.25, 0.75], current / current[-1], potential)
    assert (three - quarter) * 1e3 == pytest.approx(56.45, abs=0.3)
    assert current[-1] == pytest.approx(_cottrell(5e-3), rel=3e-3)
    potential, current = curves["film"]
    where, height = _summit(potential, current)
    # in cm2, cm, mol/cm3, V/s
    assert height == pytest.approx(1.1152e6 * AREA * 1e4 * THICKNESS * 1e2 * METAL * 1e-6 * RATE, rel=3e-3)
    assert _width(potential, current) * 1e3 == pytest.approx(75.55, abs=0.3)
    group = THICKNESS**2 * F * RATE / (R * T * DIFFUSION)
    assert where * 1e3 == pytest.approx(-1.43 + 29.58 * np.log10(group), abs=0.3)


def _cottrell(time: float) -> float:
    return float(F * AREA * CONCENTRATION * np.sqrt(DIFFUSION / (np.pi * time)))


def _summit(x: Floats, y: Floats) -> tuple[float, float]:
    """Place and height of the highest point, by a parabola through three."""
    k = int(y.argmax())
    a, b, c = np.polyfit(x[k - 1 : k + 2] - x[k], y[k - 1 : k + 2], 2)
    return float(x[k] - b / (2 * a)), float(c - b * b / (4 * a))


def _width(x: Floats, y: Floats) -> float:
    """Width at half height."""
    k, half = int(y.argmax()), _summit(x, y)[1] / 2
    left = np.interp(half, y[: k + 1], x[: k + 1])
    return float(np.interp(-half, -y[k:], x[k:]) - left)
