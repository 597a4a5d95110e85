"""Cells and excitations for tests: one couple in round numbers, ramps, peaks."""

import itertools
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.constants import R, physical_constants

from luggin.sim.cell import Cell, Response, load_cell

Floats = NDArray[np.floating[Any]]

PUBLISHED: dict[str, Any] = tomllib.loads((Path(__file__).parents[1] / "reference" / "voltammetry.toml").read_text())

FARADAY: float = physical_constants["Faraday constant"][0]
THERMAL = R * 298.15 / FARADAY  # V
AREA, DIFFUSION = 1e-4, 1e-9  # m2, m2/s


def rows(table: str, *columns: str) -> list[tuple[float, ...]]:
    """Rows of a published table."""
    return list(zip(*(PUBLISHED[table][column] for column in columns), strict=True))


def couple(
    oxidised: float = 1.0,
    reduced: float = 0.0,
    *,
    rate: float | None = None,
    alpha: float = 0.5,
    electrons: int = 1,
    formal: float = 0.0,
    diffusion: float = DIFFUSION,
    diffusion_reduced: float | None = None,
    decay_oxidised: float = 0.0,
    decay_reduced: float = 0.0,
    name: str = "",
) -> dict[str, Any]:
    """A couple in solution; concentrations in mol/m3, `rate` in m/s (None: reversible)."""
    return {
        "formal_potential": formal,
        "electrons": electrons,
        "rate_constant": rate,
        "transfer_coefficient": alpha,
        "oxidised": {
            "kind": "dissolved",
            "name": f"o{name}",
            "concentration": oxidised,
            "diffusion": diffusion,
            "decay": decay_oxidised,
        },
        "reduced": {
            "kind": "dissolved",
            "name": f"r{name}",
            "concentration": reduced,
            "diffusion": diffusion if diffusion_reduced is None else diffusion_reduced,
            "decay": decay_reduced,
        },
    }


def monolayer(
    oxidised: float = 0.0, reduced: float = 1e-6, *, rate: float | None = None, electrons: int = 1
) -> dict[str, Any]:
    return {
        "formal_potential": 0.0,
        "electrons": electrons,
        "surface_rate_constant": rate,
        "oxidised": {"kind": "adsorbed", "name": "o", "amount": oxidised},
        "reduced": {"kind": "adsorbed", "name": "r", "amount": reduced},
    }


def cell(*couples: dict[str, Any], seed: int = 0, **parts: Any) -> Cell:
    """A cell of 1 cm2 with these couples; `resistance` and `capacitance` make its interface."""
    interface = {"series_resistance": parts.pop("resistance", 0.0), "double_layer": parts.pop("capacitance", 0.0)}
    document = {
        "title": "test",
        "source": "round numbers",
        "electrode": {"shape": "plane", "area": AREA},
        "interface": interface,
        "couples": list(couples),
        **parts,
    }
    return load_cell(document, seed=seed)


def line(*turns: float, step: float = 1e-3) -> Floats:
    """Potentials from turn to turn in steps of `step` (V)."""
    pieces = [np.linspace(a, b, round(abs(b - a) / step) + 1) for a, b in itertools.pairwise(turns)]
    return np.concatenate([pieces[0][:1], *(piece[1:] for piece in pieces)])


def sweep(a_cell: Cell, rate: float, *turns: float, step: float = 1e-3) -> tuple[Floats, Response]:
    """Sweep from turn to turn at `rate` (V/s); potentials and response."""
    potentials = line(*turns, step=step)
    return potentials[1:], a_cell.potential_control(step / rate, potentials[:-1], potentials[1:])


def peak(potential: Floats, current: Floats) -> tuple[float, float]:
    """Position and height of the highest point, by a parabola through five points."""
    k = int(np.argmax(current))
    near = slice(k - 2, k + 3)
    middle = potential[k]
    a, b, c = np.polyfit(potential[near] - middle, current[near], 2)
    return float(middle - b / (2 * a)), float(c - b * b / (4 * a))
