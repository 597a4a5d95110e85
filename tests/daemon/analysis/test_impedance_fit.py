"""Circuit fits recover known circuits within their stated uncertainty."""

import numpy as np
import pytest
from scipy import optimize

from luggin.daemon.analysis.equivalent_circuits import COMMON_CIRCUITS, read_circuit
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.impedance_fit import CircuitFit, fit_circuit

SEED = 500
F = np.logspace(5, -2, 50)
TRUE: dict[str, tuple[float, ...]] = {
    "RC": (100, 2e-5),
    "RQ": (50, 1e-5, 0.9),
    "R(RC)": (10, 100, 1e-4),
    "R(RQ)": (20, 1000, 1e-5, 0.8),
    "LR(RQ)": (1e-6, 5, 200, 1e-4, 0.85),
    "R(C(RW))": (100, 2e-5, 500, 50),
    "R(Q(RW))": (100, 3e-5, 0.85, 500, 50),
    "R(C(RO))": (20, 2e-5, 100, 400, 3),
    "R(Q(RO))": (20, 3e-5, 0.85, 100, 400, 3),
    "R(Q(RT))": (5, 1e-4, 0.9, 30, 40, 20),
    "R(RC)(RC)": (10, 100, 1e-6, 300, 1e-4),
    "R(RQ)(RQ)": (10, 100, 1e-6, 0.9, 300, 3e-4, 0.85),
    "R(C(R(RC)))": (50, 1e-8, 5000, 20000, 1e-5),
    "R(Q(R(RQ)))": (50, 2e-8, 0.93, 5000, 20000, 2e-5, 0.85),
}


def spectrum(code: str, rng: np.random.Generator | None = None, noise: float = 0.005) -> np.ndarray:
    """Impedance of the true circuit, with noise on each part in proportion to the modulus."""
    z = read_circuit(code).impedance(F, TRUE[code])
    if rng is None:
        return z
    return np.asarray(z + np.abs(z) * noise * (rng.normal(size=F.size) + 1j * rng.normal(size=F.size)))


def hits(fit: CircuitFit, truth: tuple[float, ...]) -> np.ndarray:
    found = []
    for parameter, value in zip(fit.parameters, truth, strict=True):
        assert parameter.estimate.lower is not None
        assert parameter.estimate.upper is not None
        found.append(parameter.estimate.lower <= value <= parameter.estimate.upper)
    return np.array(found, dtype=float)


@pytest.mark.parametrize("code", COMMON_CIRCUITS)
def test_exact_spectra_give_the_circuit_back_without_any_hint(code: str) -> None:
    fit = fit_circuit(F, spectrum(code), code)
    assert [p.estimate.value for p in fit.parameters] == pytest.approx(TRUE[code], rel=1e-6)
    assert fit.rms < 1e-8
    assert fit.warnings == ()


@pytest.mark.parametrize("code", ["R(RC)", "R(Q(RW))"])
def test_intervals_hold_the_truth_in_a_few_draws(code: str) -> None:
    rng, counts, repeats = np.random.default_rng(SEED), np.zeros(len(TRUE[code])), 40
    start = {p.name: v for p, v in zip(read_circuit(code).parameters, TRUE[code], strict=True)}
    for _ in range(repeats):
        counts += hits(fit_circuit(F, spectrum(code, rng), code, start=start), TRUE[code])
    assert counts.min() / repeats >= 0.82


@pytest.mark.long
@pytest.mark.parametrize("code", COMMON_CIRCUITS)
def test_intervals_hold_the_truth_95_times_in_100(code: str) -> None:
    rng, counts, repeats = np.random.default_rng(SEED), np.zeros(len(TRUE[code])), 500
    start = {p.name: v for p, v in zip(read_circuit(code).parameters, TRUE[code], strict=True)}
    for _ in range(repeats):
        counts += hits(fit_circuit(F, spectrum(code, rng), code, start=start), TRUE[code])
    # Two standard deviations of 500 draws are 2 %; with up to seven parameters allow three.
    assert np.all((counts / repeats >= 0.92) & (counts / repeats <= 0.98))


def random_values(code: str, rng: np.random.Generator) -> list[float]:
    """Values spread over decades, whose features lie mostly within the frequencies."""
    values: list[float] = []
    resistance = 100.0
    for parameter in read_circuit(code).parameters:
        if parameter.kind == "R":
            resistance = 10 ** rng.uniform(1, 4)
        drawn = {
            "R": resistance,
            "C": 10 ** rng.uniform(-5, 0) / resistance,
            "Q": 10 ** rng.uniform(-4.5, 0) / resistance,
            "W": 10 ** rng.uniform(-1, 1) * resistance,
            "L": 1e-6,
            "time": 10 ** rng.uniform(-3, 1),
            "exponent": rng.uniform(0.7, 0.98),
        }
        values.append(drawn[parameter.kind])
    return values


@pytest.mark.long
@pytest.mark.parametrize("code", COMMON_CIRCUITS)
def test_starting_values_reach_the_noise_for_random_circuits(code: str) -> None:
    rng, poor = np.random.default_rng(SEED), 0
    for _ in range(40):
        z = read_circuit(code).impedance(F, random_values(code, rng))
        z = z + np.abs(z) * 0.003 * (rng.normal(size=F.size) + 1j * rng.normal(size=F.size))
        poor += fit_circuit(F, z, code).reduced_chi_square > 1.6 * 0.003**2
    assert poor <= 2


def test_covariance_agrees_with_scipy_curve_fit() -> None:
    z = spectrum("R(RC)", np.random.default_rng(1))
    circuit, modulus = read_circuit("R(RC)"), np.abs(z)

    def model(_: np.ndarray, *logs: float) -> np.ndarray:
        y = circuit.impedance(F, np.exp(logs)) / modulus
        return np.concatenate([y.real, y.imag])

    target = np.concatenate([(z / modulus).real, (z / modulus).imag])
    best, covariance = optimize.curve_fit(model, np.tile(F, 2), target, p0=np.log(TRUE["R(RC)"]))
    fit = fit_circuit(F, z, "R(RC)")
    assert [p.estimate.value for p in fit.parameters] == pytest.approx(np.exp(best), rel=1e-5)
    relative = [(p.estimate.standard_uncertainty or 0) / p.estimate.value for p in fit.parameters]
    assert relative == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)
    assert fit.correlation is not None
    assert fit.correlation[0][1] == pytest.approx(
        covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]), abs=1e-3
    )


def test_like_groups_come_fastest_first() -> None:
    swapped = read_circuit("R(RC)(RC)").impedance(F, (10, 300, 1e-4, 100, 1e-6))
    fit = fit_circuit(F, swapped, "R(RC)(RC)")
    assert [p.estimate.value for p in fit.parameters] == pytest.approx(TRUE["R(RC)(RC)"], rel=1e-6)
    assert fit.value("R2") == pytest.approx(100, rel=1e-6)
    assert fit.impedance(F) == pytest.approx(swapped)
    with pytest.raises(AnalysisError, match="no parameter R9"):
        fit.value("R9")


def test_the_order_of_frequencies_does_not_matter() -> None:
    z = spectrum("R(Q(RW))", np.random.default_rng(2))
    forward, backward = fit_circuit(F, z, "R(Q(RW))"), fit_circuit(F[::-1], z[::-1], "R(Q(RW))")
    assert [p.estimate.value for p in forward.parameters] == pytest.approx(
        [p.estimate.value for p in backward.parameters], rel=1e-5
    )


def test_a_circuit_too_simple_leaves_a_misfit_and_one_too_rich_is_said() -> None:
    rng = np.random.default_rng(3)
    two = spectrum("R(RC)(RC)", rng, 0.002)
    poor, right = fit_circuit(F, two, "R(RC)"), fit_circuit(F, two, "R(RC)(RC)")
    assert any("does not describe it" in warning for warning in poor.warnings)
    assert right.information_criterion < poor.information_criterion
    rich = fit_circuit(F, spectrum("R(RC)", rng), "R(RC)(RC)")
    assert any("determine" in warning for warning in rich.warnings)
    assert any("capacitance" in warning for warning in fit_circuit(F, spectrum("R(RC)"), "R(RQ)").warnings)


def test_weighting_by_known_noise_gives_a_chi_square_of_one() -> None:
    rng = np.random.default_rng(4)
    z = read_circuit("R(RC)").impedance(F, TRUE["R(RC)"])
    noisy = z + 0.5 * (rng.normal(size=F.size) + 1j * rng.normal(size=F.size))
    fit = fit_circuit(F, noisy, "R(RC)", standard_deviation=np.full(F.size, 0.5))
    assert fit.reduced_chi_square == pytest.approx(1, abs=0.4)
    unit = fit_circuit(F, noisy, "R(RC)", weighting="unit")
    assert unit.value("R2") == pytest.approx(fit.value("R2"), rel=1e-6)


def test_what_cannot_be_fitted_is_said() -> None:
    z = spectrum("R(RC)")
    with pytest.raises(AnalysisError, match="cannot determine the 5 parameters"):
        fit_circuit(F[:2], z[:2], "R(RC)(RC)")
    with pytest.raises(AnalysisError, match="start must give R1, R2, C1"):
        fit_circuit(F, z, "R(RC)", start={"R1": 1.0})
    with pytest.raises(AnalysisError, match="above zero"):
        fit_circuit(F, z, "R(RC)", standard_deviation=np.zeros(F.size))
    with pytest.raises(AnalysisError, match="between 0 and 1"):
        fit_circuit(F, z, "R(RC)", confidence=95)
