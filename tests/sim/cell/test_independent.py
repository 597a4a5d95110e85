"""Cases without a table, against two other methods: finite volumes in space, and direct convolution."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.sparse import lil_matrix

from support.cells import AREA, DIFFUSION, FARADAY, THERMAL, Floats, cell, couple, line, sweep

SCALE = FARADAY * AREA


def by_finite_volumes(
    couples: list[dict[str, float]],
    potentials: Floats,
    rate: float,
    resistance: float,
    capacitance: float,
    start: float,
) -> Floats:
    """Current of a sweep with double layer and resistance: finite volumes on a stretched grid, scipy's BDF in time.

    Each couple: formal, constant, alpha, o, r, decay (of R). All species diffuse alike.
    """
    count, stretch, first = 70, 1.13, 2e-7
    width = first * stretch ** np.arange(count)
    between = (width[1:] + width[:-1]) / 2
    size = 2 * count * len(couples)
    duration = (len(potentials) - 1) * abs(potentials[1] - potentials[0]) / rate
    grid = np.linspace(0, duration, len(potentials))

    def flux(which: dict[str, float], potential: float, o: float, r: float) -> float:
        """Anodic flux with the surface half a cell away from the first node."""
        x = (potential - which["formal"]) / THERMAL
        forth = which["constant"] * np.exp((1 - which["alpha"]) * x)
        back = which["constant"] * np.exp(-which["alpha"] * x)
        near = width[0] / (2 * DIFFUSION)
        return float((r * forth - o * back) / (1 + near * (forth + back)))

    def change(time: float, state: Floats) -> Floats:
        rise = np.empty_like(state)
        faradaic = 0.0
        for k, which in enumerate(couples):
            o = state[2 * k * count : (2 * k + 1) * count]
            r = state[(2 * k + 1) * count : (2 * k + 2) * count]
            surface = flux(which, state[-1], o[0], r[0])
            faradaic += SCALE * surface
            for part, made, into in ((o, surface, 2 * k), (r, -surface, 2 * k + 1)):
                gradient = -DIFFUSION * np.diff(part) / between
                flows = np.concatenate([[made], gradient, [0.0]])
                rise[into * count : (into + 1) * count] = (flows[:-1] - flows[1:]) / width
            rise[(2 * k + 1) * count : (2 * k + 2) * count] -= which["decay"] * (r - which["r"])
        applied = np.interp(time, grid, potentials)
        rise[-1] = ((applied - state[-1]) / resistance - faradaic) / capacitance
        return rise

    touches = lil_matrix((size + 1, size + 1))
    for k in range(size // count):
        block = slice(k * count, (k + 1) * count)
        touches[block, block] = np.eye(count) + np.eye(count, k=1) + np.eye(count, k=-1)
    for k in range(len(couples)):
        ends = [2 * k * count, (2 * k + 1) * count, size]
        for row in ends:
            touches[row, ends] = 1
        touches[size, ends] = 1
    at_rest = np.concatenate([np.full(count, which[form]) for which in couples for form in ("o", "r")] + [[start]])
    solved = solve_ivp(
        change, (0, duration), at_rest, "BDF", grid, rtol=1e-6, atol=1e-9, jac_sparsity=touches, max_step=duration / 200
    )
    assert solved.success
    return np.asarray((potentials - solved.y[-1])[1:] / resistance)


def by_convolution(formal: tuple[float, float], potentials: Floats, span: float, resistance: float) -> Floats:
    """Current of two reversible couples through a resistance: product integration of the semi-integrals, straight lines
    of flux, every step against all that went before."""
    count = len(potentials) - 1
    areas = 4 / 3 * np.sqrt(span / (np.pi * DIFFUSION)) * np.arange(count + 2.0) ** 1.5
    kernel = np.concatenate([[areas[1]], np.diff(areas, 2)])
    flux = np.zeros((2, count + 1))
    current = np.zeros(count + 1)
    for k in range(1, count + 1):
        past = flux[:, :k] @ kernel[k:0:-1]

        def excess(potential: float, k: int = k, past: Floats = past) -> float:
            for which in (0, 1):
                ratio = np.exp((potential - formal[which]) / THERMAL)
                # o = 1 + past + kernel[0] j, r = -past - kernel[0] j, o = ratio r
                flux[which, k] = -((1 + past[which]) + ratio * past[which]) / (kernel[0] * (1 + ratio))
            current[k] = SCALE * flux[:, k].sum()
            return float(potential - potentials[k] + resistance * current[k])

        brentq(excess, -2, 2, xtol=1e-12)
    return current[1:]


def test_two_couples_a_following_reaction_resistance_and_double_layer() -> None:
    """A following reaction after a quasi-reversible couple, beside a slow one, behind 200 ohm with 20 uF."""
    rate, resistance, capacitance = 0.1, 200.0, 2e-5
    first = {"formal": 0.0, "constant": 2e-5, "alpha": 0.5, "o": 1.0, "r": 0.0, "decay": 1.5}
    second = {"formal": -0.25, "constant": 2e-6, "alpha": 0.4, "o": 0.7, "r": 0.1, "decay": 0.0}
    made = cell(
        couple(rate=2e-5, decay_reduced=1.5, name="1"),
        couple(0.7, 0.1, rate=2e-6, alpha=0.4, formal=-0.25, name="2"),
        resistance=resistance,
        capacitance=capacitance,
    )
    start = made.open_circuit(1e-6).interface[0]
    potential, response = sweep(made, rate, 0.35, -0.6, 0.35)
    expected = by_finite_volumes([first, second], line(0.35, -0.6, 0.35), rate, resistance, capacitance, start)
    settled = slice(30, None)
    off = np.abs(response.current - expected)[settled].max()
    assert off < 1.2e-3 * np.abs(expected).max(), (off, potential[np.argmax(np.abs(response.current - expected))])


def test_two_reversible_couples_through_a_resistance() -> None:
    rate, step = 0.1, 1e-3
    made = cell(couple(name="1"), couple(formal=-0.15, name="2"), resistance=300.0)
    made.potential_control(0.01, 0.35, 0.35)
    _, response = sweep(made, rate, 0.35, -0.4, 0.1, step=step)
    expected = by_convolution((0.0, -0.15), line(0.35, -0.4, 0.1, step=step), step / rate, 300.0)
    assert np.abs(response.current - expected).max() < 3e-4 * np.abs(expected).max()


@pytest.mark.parametrize("span", [0.01, 0.0025])
def test_refining_the_steps_converges(span: float) -> None:
    """Halving the steps changes little, and less each time."""
    currents = []
    for parts in (1, 2, 4):
        made = cell(couple(rate=1e-5), resistance=100.0, capacitance=1e-5)
        made.potential_control(1.0, 0.3, 0.3)
        potentials = np.linspace(0.3, 0.3 - 50 * span, 100 * parts + 1)
        response = made.potential_control(span / parts * 5, potentials[:-1], potentials[1:])
        currents.append(response.current[parts - 1 :: parts])
    coarse, middle, fine = currents
    first, second = np.abs(coarse - middle).max(), np.abs(middle - fine).max()
    assert first < 2e-3 * np.abs(fine).max()
    assert second < first / 2
