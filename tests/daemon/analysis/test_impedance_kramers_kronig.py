"""The linear Kramers-Kronig test passes valid spectra and finds drift."""

import numpy as np
import pytest

from luggin.daemon.analysis.equivalent_circuits import read_circuit
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.kramers_kronig import kramers_kronig

F = np.logspace(5, -2, 57)
VALID = [
    ("R(C(RW))", (100, 2e-5, 500, 50)),
    ("R(RQ)", (50, 1000, 1e-5, 0.8)),
    ("R(RC)(RC)", (50, 500, 1e-6, 1000, 1e-4)),
    ("RQ", (10, 1e-5, 0.9)),
    ("RW", (10, 100)),
    ("LR(RC)", (1e-5, 10, 1000, 1e-5)),
    ("R(RC)(RC)", (10, 500, 2e-9, 50_000, 2e-5)),  # one time constant faster than the highest frequency
]


@pytest.mark.parametrize(("code", "values"), VALID)
def test_valid_circuits_leave_next_to_nothing(code: str, values: tuple[float, ...]) -> None:
    # Boukamp, J. Electrochem. Soc. 142 (1995) 1885 reports residuals far below 0.1 % for valid data; an independent
    # program left 0.035 % for a Randles circuit.
    result = kramers_kronig(F, read_circuit(code).impedance(F, values))
    assert result.rms < 5e-4
    assert result.consistent


@pytest.mark.parametrize(("code", "values", "index"), [("R(C(RW))", VALID[0][1], 2), ("R(RQ)", VALID[1][1], 1)])
def test_drift_is_found(code: str, values: tuple[float, ...], index: int) -> None:
    # Charge-transfer resistance growing by 30 % from the first frequency to the last: residuals up to 1.7 % in an
    # independent program.
    circuit, drifted = read_circuit(code), []
    for step, f in enumerate(F):
        now = list(values)
        now[index] *= 1 + 0.3 * step / (F.size - 1)
        drifted.append(circuit.impedance([f], now)[0])
    result = kramers_kronig(F, drifted)
    assert 0.01 < result.largest < 0.02
    assert result.neighbour_correlation > 0.8
    assert not result.consistent


def test_noise_is_not_taken_for_drift() -> None:
    rng = np.random.default_rng(1885)
    z = read_circuit("R(C(RW))").impedance(F, VALID[0][1])
    for _ in range(30):
        noisy = z * (1 + 0.01 * (rng.normal(size=F.size) + 1j * rng.normal(size=F.size)))
        result = kramers_kronig(F, noisy)
        assert result.consistent
        assert result.rms > 0.005


def test_a_real_part_that_contradicts_the_imaginary_part_is_found() -> None:
    z = read_circuit("R(RQ)").impedance(F, VALID[1][1])
    assert not kramers_kronig(F, z.real + 1.1j * z.imag).consistent


def test_residuals_keep_the_order_of_the_data() -> None:
    z = read_circuit("R(RQ)").impedance(F, VALID[1][1])
    z = z.copy()
    z[20] *= 1.05
    for f, values in ((F, z), (F[::-1], z[::-1])):
        result = kramers_kronig(f, values)
        worst = int(np.argmax(np.hypot(result.residual_real, result.residual_imaginary)))
        assert f[worst] == F[20]


def test_too_little_to_test() -> None:
    with pytest.raises(AnalysisError, match="at least 10"):
        kramers_kronig([1, 2, 3], [1, 2, 3])
    with pytest.raises(AnalysisError, match="decades of frequency"):
        kramers_kronig(np.linspace(1, 2, 12), np.ones(12))
