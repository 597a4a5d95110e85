"""Zero-resistance ammetry: two electrodes come to one potential, and what leaves one enters the other."""

import numpy as np
import pytest
from scipy.optimize import brentq

from luggin.protocol.instrument import Outcome
from luggin.protocol.points import Flag
from luggin.protocol.program import Couple, Ranging
from luggin.sim.cell import CellError, load_cell
from support.bench import Bench, block, hold, program, rest
from support.cells import cell, couple


def tafel(rest_potential: float, exchange: float, anodic: float = 0.12, cathodic: float = 0.12) -> dict[str, object]:
    return {
        "kind": "tafel",
        "rest_potential": rest_potential,
        "exchange_current": exchange,
        "anodic_slope": anodic,
        "cathodic_slope": cathodic,
    }


def joined(resistance: float = 20.0, capacitance: float = 4e-5) -> dict[str, object]:
    """A base metal that rests at -0.55 V and a nobler one that rests at -0.20 V."""
    interface = {"series_resistance": resistance, "double_layer": capacitance}
    return {
        "title": "test",
        "source": "round numbers",
        "interface": interface,
        "reactions": [tafel(-0.55, 1e-5)],
        "partner": {"interface": interface, "reactions": [tafel(-0.20, 1e-6, cathodic=0.18)]},
    }


def line(potential: float, rest_potential: float, exchange: float, anodic: float, cathodic: float) -> float:
    away = potential - rest_potential
    return float(exchange * (10 ** (away / anodic) - 10 ** (-away / cathodic)))


def mixed(resistance: float) -> tuple[float, float]:
    """Current of the base metal and the common potential: mixed-potential theory (Wagner & Traud, Z. Elektrochem. 44
    (1938) 391, from memory), with the ohmic drop of both electrodes, by a root finder that is not the simulator's."""

    def potentials(current: float) -> tuple[float, float]:
        base = brentq(lambda e: line(e, -0.55, 1e-5, 0.12, 0.12) - current, -2, 2)
        noble = brentq(lambda e: line(e, -0.20, 1e-6, 0.12, 0.18) + current, -3, 2)
        return base + resistance * current, noble - resistance * current

    current = brentq(lambda i: np.subtract(*potentials(i)), 0.0, 1e-2, xtol=1e-15)
    return current, potentials(current)[0]


@pytest.mark.parametrize("resistance", [0.0, 20.0, 5e3])
@pytest.mark.parametrize("capacitance", [0.0, 4e-5])
def test_a_couple_comes_to_its_mixed_potential(resistance: float, capacitance: float) -> None:
    made = load_cell(joined(resistance, capacitance))
    response = made.couple(np.full(200, 0.1))
    current, potential = mixed(resistance)
    assert response.current[-1] == pytest.approx(current, rel=1e-6)
    assert response.measured[-1] == pytest.approx(potential, abs=1e-6)
    assert (response.voltage == 0).all()


def test_the_current_at_first_is_what_the_resistances_allow_and_decays() -> None:
    """0.35 V between the two at rest, across 40 ohm in all; each double layer of 40 uF has 20 ohm to itself."""
    response = load_cell(joined()).couple(np.full(20, 2e-5))
    expected = 0.35 / 40 * np.exp(-2e-5 * np.arange(1, 21) / (20 * 4e-5))
    assert response.current == pytest.approx(expected, rel=5e-3)


def test_calls_may_be_cut_anywhere_and_open_again() -> None:
    one, other = load_cell(joined()), load_cell(joined())
    whole = one.couple(np.full(40, 0.01))
    parts = [other.couple(np.full(count, 0.01)) for count in (1, 15, 24)]
    assert np.concatenate([part.current for part in parts]).tobytes() == whole.current.tobytes()
    rested = one.open_circuit(np.full(100, 1.0)).measured[-1]
    assert rested == pytest.approx(-0.55, abs=1e-3)


def test_a_cell_with_one_electrode_can_not_be_coupled() -> None:
    with pytest.raises(CellError, match="needs a partner"):
        cell(couple()).couple(np.full(3, 0.1))
    bench = Bench("corroding", speed=1e4)
    bench.run(program(Couple(duration=1.0, period=0.1)))
    assert bench.status().outcome is Outcome.FAULT
    assert "needs a partner" in bench.status().detail


def test_what_a_program_measures_of_a_couple() -> None:
    bench = Bench("galvanic-couple", speed=1e4)
    points = bench.run(program(rest(1.0), Couple(duration=60.0, period=0.5), ranging=Ranging(lower=1e-6)))
    assert bench.status().outcome is Outcome.COMPLETED
    coupled = points["flags"] != Flag.CELL_OPEN
    assert coupled.sum() == 120
    current, potential = mixed(20.0)
    assert points["current"][-20:] == pytest.approx(np.full(20, current), rel=2e-3)
    assert points["potential"][-20:] == pytest.approx(np.full(20, potential), abs=2e-3)  # its reference wanders
    assert np.abs(points["cell_voltage"][coupled]).max() < 1e-4
    assert np.isnan(points["applied_potential"]).all()
    assert len(np.unique(points["current_range"][coupled])) > 1
    done = [(what, value) for _, what, value in bench.log.events]
    assert done == [("control", "couple"), ("relay", "on"), ("range", 1e-2), ("relay", "off")]


def test_a_held_couple_stays_coupled() -> None:
    bench = Bench("galvanic-couple", ideal=True, speed=10.0)
    bench.start(program(block(Couple(duration=20.0, period=0.5), pause="any-time")))
    bench.pass_time(0.5)
    bench.device.hold()
    bench.pass_time(0.5)
    bench.device.unhold(bench.device.clock(bench.now), bench.now)
    bench.finish()
    points = bench.points()
    assert (points["cycle"] == 0).sum() == 5
    assert (np.diff(points["current"]) < 0).all()
    assert np.isfinite(points["current"]).all()


def test_after_a_couple_a_potential_may_be_held() -> None:
    points = Bench("galvanic-couple", ideal=True, speed=1e4).run(
        program(Couple(duration=1.0, period=0.5), hold(-0.5, 5.0, 0.5))
    )
    assert points["current"][-1] == pytest.approx(
        line(-0.5 - 20 * float(points["current"][-1]), -0.55, 1e-5, 0.12, 0.12), rel=1e-2
    )
