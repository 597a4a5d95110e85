"""What stays on the electrode: monolayers, films, deposits, thin layers."""

from typing import Any

import numpy as np
import pytest

from support.cells import AREA, FARADAY, THERMAL, Floats, cell, couple, monolayer, peak, sweep


def width(potential: Floats, current: Floats) -> float:
    """Width at half height of the highest peak."""
    k = int(np.argmax(current))
    half = peak(potential, current)[1] / 2
    left = np.interp(half, current[: k + 1], potential[: k + 1])
    return float(abs(left - np.interp(-half, -current[k:], potential[k:])))


def film(thickness: float, *, electrons: int = 1, amount: float = 10.0) -> dict[str, Any]:
    """A metal in a thin film over a solution without its ion."""
    return {
        "formal_potential": 0.0,
        "electrons": electrons,
        "oxidised": {"kind": "dissolved", "name": "ion", "diffusion": 1e-9},
        "reduced": {
            "kind": "film",
            "name": "metal",
            "concentration": amount,
            "diffusion": 1e-9,
            "thickness": thickness,
        },
    }


def deposit(rate: float | None = None) -> dict[str, Any]:
    return {
        "formal_potential": 0.0,
        "electrons": 2,
        "rate_constant": rate,
        "oxidised": {"kind": "dissolved", "name": "ion", "concentration": 1.0, "diffusion": 1e-9},
        "reduced": {"kind": "deposit", "name": "metal", "monolayer": 2e-5},
    }


def test_reversible_monolayer() -> None:
    """ip = n2 F2 v A G/(4 R T), width 90.6/n mV at E0 (Bard & Faulkner, from memory); computed 9.3884 uA, 90.579 mV."""
    potential, response = sweep(cell(monolayer()), 0.1, -0.3, 0.3)
    where, height = peak(potential, response.current)
    assert height == pytest.approx(9.3884e-6, rel=5e-4)
    assert where == pytest.approx(0.0, abs=5e-5)
    assert width(potential, response.current) * 1e3 == pytest.approx(90.579, abs=0.05)
    assert response.charge.sum() == pytest.approx(FARADAY * AREA * 1e-6, rel=2e-5)


def test_slow_monolayer_splits_symmetrically() -> None:
    """The peaks of a slow monolayer lie symmetrically about E0, and what was oxidised is reduced again."""
    potential, response = sweep(cell(monolayer(rate=0.5)), 0.1, -0.4, 0.4, -0.4)
    anodic = peak(potential[:800], response.current[:800])
    cathodic = peak(potential[800:], -response.current[800:])
    assert anodic[0] == pytest.approx(-cathodic[0], abs=1e-6)
    assert anodic[0] > 0.05
    assert anodic[1] == pytest.approx(cathodic[1], rel=1e-6)
    assert abs(response.charge.sum()) < 1e-6 * FARADAY * AREA * 1e-6


def test_irreversible_monolayer_width() -> None:
    """Irreversible: width 62.5/(alpha n) mV, ip = alpha n F Q v/(2.718 R T) (Laviron; Bard & Faulkner, from memory)."""
    potential, response = sweep(cell(monolayer(rate=1e-4)), 0.1, 0.0, 0.8)
    assert width(potential, response.current) * 0.5 * 1e3 == pytest.approx(62.5, abs=0.5)
    ideal = 0.5 * FARADAY * AREA * 1e-6 * 0.1 / (np.e * THERMAL)
    assert response.current.max() == pytest.approx(ideal, rel=1e-3)


@pytest.mark.parametrize(("thickness", "rate"), [(1e-6, 0.05), (5e-7, 0.02)])
def test_thin_film_stripping(thickness: float, rate: float) -> None:
    """ip = 1.1157e6 n2 A l C v (cm, mol/cm3), width 75.53/n mV, n (Ep - E1/2) = -1.43 + 29.58 log H mV with
    H = l2 n F v/(R T D) (de Vries & van Dalen 1967, from memory); computed 1.1152e6, 75.55, 0.01 mV."""
    potential, response = sweep(cell(film(thickness)), rate, -0.45, 0.2, step=5e-4)
    where, height = peak(potential, response.current)
    assert height / (thickness * 1e2 * 10e-6 * rate) == pytest.approx(1.1152e6, rel=5e-4)
    assert width(potential, response.current) * 1e3 == pytest.approx(75.55, abs=0.05)
    ratio = thickness**2 * rate / (THERMAL * 1e-9)
    assert where * 1e3 == pytest.approx(-1.43 + 29.58 * np.log10(ratio), abs=0.05)
    assert response.charge.sum() == pytest.approx(FARADAY * AREA * 10.0 * thickness, rel=2e-3)


@pytest.mark.parametrize("rate", [None, 1e-5])
def test_deposit_is_stripped_as_it_was_made(rate: float | None) -> None:
    """Faraday's law both ways, and Cottrell while depositing; nothing is left, and nothing below nothing."""
    made = cell(deposit(rate))
    made.potential_control(0.1, 0.3, 0.3)
    there = made.potential_control(np.full(50, 0.1), -0.5, -0.5)
    assert there.charge.sum() == pytest.approx(-4 * FARADAY * AREA * np.sqrt(1e-9 * 5 / np.pi), rel=2e-3)
    potential, back = sweep(made, 0.1, -0.5, 0.4)
    assert there.charge.sum() + back.charge.sum() == pytest.approx(0.0, abs=2e-4 * abs(there.charge.sum()))
    assert abs(back.current[-1]) < 1e-3 * back.current.max()
    assert peak(potential, back.current)[1] > 0


def test_deposit_sets_its_nernst_potential() -> None:
    """At open circuit a plated electrode reads E0 + RT/(2F) ln a of its ion."""
    made = cell(deposit(), resistance=10.0, capacitance=1e-6)
    made.potential_control(np.full(50, 0.1), -0.3, -0.3)
    rest = made.open_circuit(np.full(200, 5.0)).measured[-1]
    assert rest == pytest.approx(THERMAL / 2 * np.log(1e-3), abs=2e-3)


def test_thin_layer_is_exhausted() -> None:
    """ip = n2 F2 v V c/(4 R T) in a slow sweep (Bard & Faulkner, from memory), and all of the charge."""
    thickness = 2e-5
    made = cell(couple(), electrode={"shape": "thin-layer", "area": AREA, "thickness": thickness})
    potential, response = sweep(made, 0.001, 0.3, -0.3)
    height = peak(potential, -response.current)[1]
    assert height == pytest.approx(FARADAY * AREA * thickness * 0.001 / (4 * THERMAL), rel=2e-3)
    assert response.charge.sum() == pytest.approx(-FARADAY * AREA * thickness, rel=1e-4)
