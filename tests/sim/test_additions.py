"""What the simulated operator pours into the cell between the runs of an instrument."""

import numpy as np
import pytest

from luggin.sim.cell.load import load_document
from support.bench import Bench, hold, program, ramp

CELL = load_document("paracetamol-addition").model_dump(mode="json")
SWEEP = program(ramp(0.2, 0.7, 0.5, 0.01))


AT = 70  # of 100 points: beyond the wave's foot


def current(bench: Bench, run: str) -> float:
    points = bench.run(SWEEP, run)
    bench.device.acknowledge(run, len(points["current"]))
    return float(points["current"][AT])


def test_each_third_run_is_followed_by_an_addition() -> None:
    """Twelve runs, and the shares that mixing 20 mL with 50 uL gives; the curve without analyte taken off."""
    bench = Bench(CELL, ideal=True, speed=1e4)
    found = [current(bench, f"run-{n}") for n in range(1, 13)]
    blank = current(Bench(CELL, ideal=True, speed=1e4, concentrations={"paracetamol": 0.0}), "run-1")
    net = np.array(found) - blank
    amounts = 20e-6 * 7.5e-3 + np.arange(4) * 50e-9 * 4.0
    expected = amounts / (20e-6 + np.arange(4) * 50e-9) / 7.5e-3
    assert np.allclose(net.reshape(4, 3) / net[0], expected[:, None], rtol=0.02)
    assert np.allclose(net.reshape(4, 3), net.reshape(4, 3)[:, :1], rtol=1e-6)


def test_what_is_picked_up_has_the_spread_that_its_density_gives() -> None:
    """White noise of density d has a standard deviation of d / sqrt(2 t) in means over t, here 20 ms."""
    resistor = {**load_document("dummy-resistor").model_dump(mode="json"), "pickup": "2 nA"}
    found = Bench(resistor, speed=1e4).run(program(hold(0.0, 20.0, 0.02)))["current"]
    quiet = Bench("dummy-resistor", speed=1e4).run(program(hold(0.0, 20.0, 0.02)))["current"]
    added = np.sqrt(np.var(found) - np.var(quiet))
    assert added == pytest.approx(2e-9 / np.sqrt(2 * 0.02), rel=0.1)  # 1000 points: 2.3 % standard deviation
