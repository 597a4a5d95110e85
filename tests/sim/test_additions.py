"""What the simulated operator pours into the cell between the runs of an instrument."""

import numpy as np

from luggin.sim.cell.load import load_document
from support.bench import Bench, program, ramp

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
    amounts = 20e-6 * 3.75e-3 + np.arange(4) * 50e-9 * 2.0
    expected = amounts / (20e-6 + np.arange(4) * 50e-9) / 3.75e-3
    assert np.allclose(net.reshape(4, 3) / net[0], expected[:, None], rtol=0.02)
    assert np.allclose(net.reshape(4, 3), net.reshape(4, 3)[:, :1], rtol=1e-6)
