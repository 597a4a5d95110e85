"""Equivalent-circuit fit: complex nonlinear least squares with the uncertainty of each parameter."""

import math
from collections.abc import Callable, Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Complexes, Floats, all_positive, floats, same_length
from luggin.daemon.analysis.equivalent_circuits import Circuit, Parameter, laplace, read_circuit
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Result, check_confidence, student
from luggin.daemon.analysis.impedance import neighbour_correlation, spectrum
from luggin.daemon.analysis.impedance_start import starts
from luggin.daemon.analysis.kramers_kronig import FLOOR, SYSTEMATIC
from luggin.daemon.analysis.least_squares import Solution, solve

_TRIALS = 16
_FINISHED = 2
_SHORT = 20
_LONG = 300
_LEAST_EXPONENT = 0.1
_DECADES = 40.0
_UNDETERMINED = 0.5


class CircuitParameter(Result):
    """One fitted number with its name ("R1"), SI unit and estimate."""

    name: str
    unit: str
    estimate: Estimate


class CircuitFit(Result):
    """A fitted circuit.

    `rms` is the root mean square of |Z_fit - Z| / |Z|; `residual_real` and `residual_imaginary` (n,) are its parts.
    `reduced_chi_square` is the weighted sum of squares over the degrees of freedom: the relative variance of one
    real or imaginary part under modulus weighting, 1 for right standard deviations when these were given.
    `information_criterion` (Akaike) compares circuits fitted to the same data: the smaller the better.
    `correlation` (p, p) is None when the data do not determine all parameters.
    """

    code: str
    parameters: tuple[CircuitParameter, ...]
    rms: float
    reduced_chi_square: float
    degrees_of_freedom: int
    information_criterion: float
    correlation: tuple[tuple[float, ...], ...] | None
    residual_real: tuple[float, ...]
    residual_imaginary: tuple[float, ...]
    warnings: tuple[str, ...]

    def value(self, name: str) -> float:
        """Fitted value of the parameter called `name`; raises AnalysisError when there is none."""
        for parameter in self.parameters:
            if parameter.name == name:
                return parameter.estimate.value
        raise AnalysisError(f"Circuit {self.code} has no parameter {name}.")

    def impedance(self, frequency: ArrayLike) -> Complexes:
        """Impedance of the fitted circuit in ohm at frequencies in Hz."""
        return read_circuit(self.code).impedance(frequency, [p.estimate.value for p in self.parameters])


def fit_circuit(
    frequency: ArrayLike,
    impedance: ArrayLike,
    code: str,
    *,
    weighting: Literal["modulus", "unit"] = "modulus",
    standard_deviation: ArrayLike | None = None,
    start: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> CircuitFit:
    """Fit the circuit `code` ("R(RC)") to frequencies (Hz) and impedances (ohm), both of shape (n,).

    Residuals are divided by the modulus of the measured impedance, by 1, or by the `standard_deviation` (ohm, (n,),
    of each part) if given.  Everything but exponents is fitted as its logarithm, so intervals of those parameters
    are not symmetric.  Uncertainties come from the residual scatter.  Several starting points are tried; `start`
    (name to value, all parameters) replaces them.  Like groups in series, as in "R(RC)(RC)", are sorted by time
    constant, the fastest first.  Boukamp, Solid State Ionics 20 (1986) 31; Orazem & Tribollet, Electrochemical
    Impedance Spectroscopy (2008), ch. 19.  Raises AnalysisError when there are fewer numbers than parameters.
    """
    circuit = read_circuit(code)
    f, z = spectrum(frequency, impedance)
    check_confidence(confidence)
    count = len(circuit.parameters)
    if 2 * f.size <= count:
        raise AnalysisError(f"{f.size} frequencies cannot determine the {count} parameters of {code}; measure more.")
    scale = _scale(z, weighting, standard_deviation)
    points = [_given(circuit, start)] if start is not None else starts(circuit, f, z, scale, _TRIALS)
    best = _best_solution(circuit, f, z, scale, points)
    values = _sorted(circuit, _values(circuit, best.parameters))
    if not np.array_equal(values, _values(circuit, best.parameters)):
        best = _solve(circuit, f, z, scale, values, _LONG)
        values = _values(circuit, best.parameters)
    return _report(circuit, f, z, best, values, confidence)


def _scale(z: Complexes, weighting: str, standard_deviation: ArrayLike | None) -> Floats:
    if standard_deviation is None:
        return np.abs(z) if weighting == "modulus" else np.ones(z.size)
    sd = floats("standard_deviation", standard_deviation)
    same_length("standard_deviation", sd, "impedance", z)
    all_positive("standard_deviation", sd)
    return sd


def _given(circuit: Circuit, start: Mapping[str, float]) -> Floats:
    names = [parameter.name for parameter in circuit.parameters]
    if set(names) != set(start):
        raise AnalysisError(f"start must give {', '.join(names)}, and gives {', '.join(start) or 'nothing'}.")
    values = floats("start", [start[name] for name in names])
    all_positive("start", values)
    return values


def _solve(circuit: Circuit, f: Floats, z: Complexes, scale: Floats, start: Floats, evaluations: int) -> Solution:
    exponents = _exponents(circuit)
    coordinates = np.where(exponents, np.clip(start, _LEAST_EXPONENT + 1e-3, 1 - 1e-3), np.log(start))
    lower = np.where(exponents, _LEAST_EXPONENT, coordinates - _DECADES)
    upper = np.where(exponents, 1.0, coordinates + _DECADES)
    return solve(_misfit(circuit, laplace(f), z, scale), coordinates, bounds=(lower, upper), evaluations=evaluations)


def _best_solution(circuit: Circuit, f: Floats, z: Complexes, scale: Floats, points: list[Floats]) -> Solution:
    """A few steps from every starting point, then the most promising ones to the end."""
    short = [_solve(circuit, f, z, scale, point, _SHORT) for point in points]
    short.sort(key=lambda solution: solution.squares)
    finished = [_solve(circuit, f, z, scale, _values(circuit, one.parameters), _LONG) for one in short[:_FINISHED]]
    return min(finished, key=lambda solution: solution.squares)


def _misfit(circuit: Circuit, s: Complexes, z: Complexes, scale: Floats) -> Callable[[Floats], Floats]:
    def residuals(coordinates: Floats) -> Floats:
        difference = (circuit.at(s, _values(circuit, coordinates)) - z) / scale
        return np.concatenate([difference.real, difference.imag])

    return residuals


def _exponents(circuit: Circuit) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    return np.array([parameter.kind == "exponent" for parameter in circuit.parameters])


def _values(circuit: Circuit, coordinates: Floats) -> Floats:
    exponents = _exponents(circuit)
    return np.where(exponents, coordinates, np.exp(np.where(exponents, 0.0, coordinates)))


def _sorted(circuit: Circuit, values: Floats) -> Floats:
    """Exchange the values of like groups so that their time constants ascend."""
    arranged = values.copy()
    for group in circuit.symmetric_groups():
        blocks = [arranged[part].copy() for part in group]
        times = [_time_constant(circuit.parameters[part], block) for part, block in zip(group, blocks, strict=True)]
        for part, index in zip(group, np.argsort(times, kind="stable"), strict=True):
            arranged[part] = blocks[index]
    return arranged


def _time_constant(parameters: tuple[Parameter, ...], values: Floats) -> float:
    """A time constant of a group: R C, or (R Q)^(1/n), of its first resistance and storage element."""
    first = {p.kind: float(v) for p, v in reversed(list(zip(parameters, values, strict=True)))}
    resistance = first.get("R", 1.0)
    if "C" in first:
        return resistance * first["C"]
    if "Q" in first:
        return float((resistance * first["Q"]) ** (1 / first["exponent"]))
    return first.get("time", resistance)


def _report(
    circuit: Circuit, f: Floats, z: Complexes, solution: Solution, values: Floats, confidence: float
) -> CircuitFit:
    relative = (circuit.at(laplace(f), values) - z) / np.abs(z)
    sd = None if solution.covariance is None else np.sqrt(np.diag(solution.covariance))
    warnings = [] if solution.converged else ["The fit did not converge; the values are only where it stopped."]
    if sd is None:
        warnings.append("The data do not determine all parameters of this circuit; try a simpler one.")
    estimates = []
    for index, parameter in enumerate(circuit.parameters):
        spread = None if sd is None else float(sd[index])
        estimates.append(_estimate(parameter, float(values[index]), spread, solution.degrees_of_freedom, confidence))
        if spread is not None and spread > (_UNDETERMINED if parameter.kind != "exponent" else 0.2):
            warnings.append(f"{parameter.name} is hardly determined by these data; try a circuit without it.")
        if parameter.kind == "exponent" and values[index] > 0.999:
            warnings.append(f"{parameter.name} is at its bound of 1: the element is a capacitance, C instead of Q.")
    rms = float(np.sqrt(np.mean(np.abs(relative) ** 2)))
    if rms > FLOOR and neighbour_correlation(f, relative) > SYSTEMATIC:
        warnings.append(
            "The misfit runs through the spectrum instead of scattering: this circuit does not describe it."
        )
    count, numbers = len(circuit.parameters), 2 * f.size
    correlation = None
    if solution.covariance is not None and sd is not None and np.all(sd > 0):
        correlation = tuple(tuple(row) for row in (solution.covariance / np.outer(sd, sd)).tolist())
    return CircuitFit(
        code=circuit.code,
        parameters=tuple(
            CircuitParameter(name=p.name, unit=p.unit, estimate=e)
            for p, e in zip(circuit.parameters, estimates, strict=True)
        ),
        rms=rms,
        reduced_chi_square=solution.squares / solution.degrees_of_freedom,
        degrees_of_freedom=solution.degrees_of_freedom,
        information_criterion=numbers * math.log(max(solution.squares / numbers, 1e-300)) + 2 * count,
        correlation=correlation,
        residual_real=tuple(relative.real.tolist()),
        residual_imaginary=tuple(relative.imag.tolist()),
        warnings=tuple(warnings),
    )


def _estimate(parameter: Parameter, value: float, sd: float | None, dof: int, confidence: float) -> Estimate:
    if sd is None:
        return Estimate(value=value, confidence=confidence, method="none: not determined by the data")
    half = student(confidence, dof) * sd
    if parameter.kind == "exponent":
        lower, upper, spread, how = value - half, value + half, sd, ""
    else:
        half = min(half, 300.0)
        lower, upper, spread, how = value * math.exp(-half), value * math.exp(half), value * sd, " of the logarithm"
    return Estimate(
        value=value,
        standard_uncertainty=spread,
        degrees_of_freedom=dof,
        lower=lower,
        upper=upper,
        confidence=confidence,
        method=f"linearised interval{how}, Student's t with {dof} degrees of freedom",
    )
