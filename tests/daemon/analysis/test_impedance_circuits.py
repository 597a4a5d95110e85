"""The notation of equivalent circuits and their impedance against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.analysis.equivalent_circuits import COMMON_CIRCUITS, read_circuit
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.impedance import bode, nyquist

W = np.logspace(5, -2, 57) * 2 * np.pi


def test_a_dummy_cell() -> None:
    # 10 ohm + (100 ohm parallel 100 uF): closed form, and a circuit simulator (ngspice, AC analysis) to 4e-13.
    z = read_circuit("R(RC)").impedance([15.915494309189533, 10.0], [10, 100, 1e-4])
    assert z[0] == pytest.approx(60 - 50j, abs=1e-9)
    assert z[1] == pytest.approx(81.6957 - 45.0477j, abs=5e-5)


def test_nested_groups_alternate_between_parallel_and_series() -> None:
    f, s = W / (2 * np.pi), 1j * W
    rs, c, rct, sigma, q, n = 100.0, 2e-5, 500.0, 50.0, 3e-5, 0.85
    warburg = sigma * (1 - 1j) / np.sqrt(W)
    randles = rs + 1 / (s * c + 1 / (rct + warburg))
    assert read_circuit("R(C(RW))").impedance(f, [rs, c, rct, sigma]) == pytest.approx(randles)
    rough = 1e-6 * s + rs + 1 / (1 / rct + q * s**n)
    assert read_circuit("LR(RQ)").impedance(f, [1e-6, rs, rct, q, n]) == pytest.approx(rough)


def test_warburg_lies_at_45_degrees_and_an_arc_spans_the_charge_transfer_resistance() -> None:
    _, modulus, phase = bode([1.0, 10.0], read_circuit("W").impedance([1.0, 10.0], [50]))
    assert list(phase) == pytest.approx([-45, -45])
    assert modulus[0] == pytest.approx(50 * np.sqrt(2) / np.sqrt(2 * np.pi))
    real, negative = nyquist(read_circuit("R(RC)").impedance(W / (2 * np.pi), [10, 100, 1e-4]))
    assert np.hypot(real - 60, negative) == pytest.approx(np.full(W.size, 50.0))
    assert negative.min() > 0


def test_diffusion_in_layers_has_the_right_limits() -> None:
    # tanh: resistance R at low and a Warburg impedance at high frequency; coth: R/3 and a capacitance tau/R at low.
    low, high = [1e-6], [1e5]
    assert read_circuit("O").impedance(low, [400, 3])[0] == pytest.approx(400, rel=1e-4)
    warburg = read_circuit("W").impedance(high, [400 / np.sqrt(2 * 3)])[0]
    assert read_circuit("O").impedance(high, [400, 3])[0] == pytest.approx(warburg, rel=1e-9)
    assert read_circuit("T").impedance(high, [400, 3])[0] == pytest.approx(warburg, rel=1e-9)
    bounded = read_circuit("T").impedance(low, [400, 3])[0]
    assert bounded.real == pytest.approx(400 / 3, rel=1e-6)
    assert bounded.imag == pytest.approx(-400 / (2 * np.pi * 1e-6 * 3), rel=1e-6)


def test_parameters_are_numbered_in_order() -> None:
    circuit = read_circuit("R(RQ)(RQ)")
    assert [p.name for p in circuit.parameters] == ["R1", "R2", "Q1", "n1", "R3", "Q2", "n2"]
    assert [p.unit for p in circuit.parameters] == ["ohm", "ohm", "S s^n", "1", "ohm", "S s^n", "1"]
    assert list(circuit.symmetric_groups()) == [(slice(1, 4), slice(4, 7))]
    assert list(read_circuit("R(RC)(CR)").symmetric_groups()) == []


def test_common_circuits_can_be_read() -> None:
    for code in COMMON_CIRCUITS:
        assert read_circuit(code).parameters


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("", "1 to 64 characters"),
        ("R" * 65, "1 to 64 characters"),
        ("R(RC", "never closes"),
        ("R(RC))", "never opened"),
        ("R(C)", "fewer than two elements"),
        ("R()", "fewer than two elements"),
        ("R(RX)", '"X" at character 4'),
        ("(" * 9 + "RC" + ")" * 9, "nests deeper"),
        ("R" * 21, "20 are the most"),
    ],
)
def test_wrong_notation_is_pointed_at(code: str, says: str) -> None:
    with pytest.raises(AnalysisError, match=says):
        read_circuit(code)


@given(st.text(alphabet="RCLQWOT()X", max_size=70))
def test_any_text_is_a_circuit_or_a_clear_error(code: str) -> None:
    try:
        circuit = read_circuit(code)
    except AnalysisError:
        return
    z = circuit.impedance([0.1, 1e3], np.full(len(circuit.parameters), 0.5))
    assert np.all(np.isfinite(z))
    assert np.all(z.real >= -1e-9)  # passive elements only


def test_values_must_match_the_parameters() -> None:
    with pytest.raises(AnalysisError, match="R1, R2, C1, and 2 values"):
        read_circuit("R(RC)").impedance([1.0], [1, 2])
    with pytest.raises(AnalysisError, match="above zero"):
        read_circuit("R(RC)").impedance([0.0], [1, 2, 3])


def test_bode_is_sorted_and_unwrapped() -> None:
    f, modulus, phase = bode([100.0, 1.0, 10.0], read_circuit("C").impedance([100.0, 1.0, 10.0], [1e-3]))
    assert list(f) == [1, 10, 100]
    assert list(phase) == pytest.approx([-90] * 3)
    assert modulus[0] == pytest.approx(100 * modulus[2])
    with pytest.raises(AnalysisError, match=r"impedance\[1\] is 0"):
        bode([1.0, 2.0], [1j, 0])
    with pytest.raises(AnalysisError, match="frequency has 1 values and impedance has 2"):
        bode([1.0], [1j, 2j])
