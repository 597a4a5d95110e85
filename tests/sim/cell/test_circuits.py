"""Dummy cells against closed forms and against a circuit simulator."""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from luggin.sim.cell import load_cell
from support.cells import Floats, line

NGSPICE = shutil.which("ngspice")
needs_ngspice = pytest.mark.skipif(NGSPICE is None, reason="the circuit simulator ngspice is not installed")


def simulate(tmp_path: Path, netlist: str, times: Floats) -> Floats:
    """Current out of source v1 (A) at these times, by ngspice."""
    result = tmp_path / "current.txt"
    circuit = tmp_path / "circuit.cir"
    circuit.write_text(f"dummy cell\n{netlist}\n.control\nrun\nwrdata {result} i(v1)\nquit\n.endc\n.end\n")
    assert NGSPICE is not None
    subprocess.run([NGSPICE, "-b", str(circuit)], check=True, capture_output=True, timeout=60, cwd=tmp_path)
    columns = np.loadtxt(result)
    return -np.interp(times, columns[:, 0], columns[:, 1])


def test_resistor_is_ohms_law() -> None:
    made = load_cell("dummy-resistor")
    response = made.potential_control(0.01, line(-1, 1, step=0.1)[:-1], line(-1, 1, step=0.1)[1:])
    assert response.current == pytest.approx(response.measured / 10e3)
    assert (response.voltage == response.measured).all()
    assert made.current_control(0.1, 1e-5, 1e-5).measured == pytest.approx([0.1])
    assert made.open_circuit(0.1).measured == pytest.approx([0.0])


def test_capacitor_charges_through_its_resistor_and_holds() -> None:
    made = load_cell("dummy-capacitor")
    response = made.potential_control(np.full(30, 1e-4), 0.5, 0.5)
    time = 1e-4 * np.arange(1, 31)
    assert response.current == pytest.approx(5e-4 * np.exp(-time / 1e-3))
    held = made.open_circuit(np.full(10, 100.0)).measured
    assert held == pytest.approx(0.5 * (1 - np.exp(-3)))
    made.current_control(np.full(10, 1e-3), 1e-6, 1e-6)
    assert made.open_circuit(1.0).measured == pytest.approx(held[-1] + 0.01)


@pytest.mark.parametrize(("potential", "published"), [(0.3, 0.64739e-6), (0.5, 27.414e-6), (1.0, 403.098e-6)])
def test_diodes_at_rest(potential: float, published: float) -> None:
    """1 kohm + two antiparallel diodes, IS 1 nA, N 1.8; values of an ngspice transient (27 degC there is set to 25)."""
    response = load_cell("dummy-diodes").potential_control(1.0, [potential, -potential], [potential, -potential])
    assert response.current == pytest.approx([published, -published], rel=2e-4)


@needs_ngspice
def test_diodes_follow_the_circuit_simulator(tmp_path: Path) -> None:
    times = np.arange(1, 201) * 5e-3
    netlist = """v1 in 0 pwl(0 -1 1 1)
r1 in mid 1k
d1 mid 0 dio
d2 0 mid dio
.model dio d(is=1e-9 n=1.8)
.options temp=25 tnom=25 gmin=1e-15 reltol=1e-6
.tran 0.5m 1 0 0.5m"""
    expected = simulate(tmp_path, netlist, times)
    potential = np.linspace(-1, 1, 201)
    found = load_cell("dummy-diodes").potential_control(5e-3, potential[:-1], potential[1:]).current
    assert np.abs(found - expected).max() < 2e-4 * np.abs(expected).max()
    assert found[130] == pytest.approx(expected[130], rel=2e-3)


@needs_ngspice
def test_r_rc_follows_the_circuit_simulator_over_jumps_and_ramps(tmp_path: Path) -> None:
    times = np.arange(1, 401) * 1e-4
    netlist = """v1 in 0 pwl(0 0 1n 0.5 10m 0.5 10.000001m -0.2 20m -0.2 40m 0.6)
r1 in mid 1k
r2 mid 0 10k
c1 mid 0 1u
.options reltol=1e-6
.tran 2u 40m 0 2u"""
    expected = simulate(tmp_path, netlist, times)
    made = load_cell("dummy-r-rc")
    ramp = np.linspace(-0.2, 0.6, 201)
    first = np.concatenate([np.full(100, 0.5), np.full(100, -0.2), ramp[:-1]])
    last = np.concatenate([np.full(100, 0.5), np.full(100, -0.2), ramp[1:]])
    found = made.potential_control(1e-4, first, last).current
    assert np.abs(found - expected)[times < 0.00995].max() < 1e-7
    assert np.abs(found - expected)[times > 0.01005].max() < 1e-7
