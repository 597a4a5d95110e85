"""The kind `impedance`: the Kramers-Kronig test of a spectrum, and the fit of a circuit."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.impedance_fit import fit_circuit
from luggin.daemon.analysis.kramers_kronig import kramers_kronig
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.impedance_settings import Impedance


def find_impedance(runs: Sequence[RunData], settings: Impedance) -> Finding:
    """Of one run: `kramers-kronig` (rms residual as a share of the modulus) and the parameters of the circuit.

    Raises EvaluationError where no point is fit, AnalysisError where the circuit can't be fitted.
    """
    (run,) = runs
    columns = run.measured
    if "impedance_real" not in columns:
        raise EvaluationError(f"run {run.run} has no impedance among its columns")
    z = columns["impedance_real"].astype(float) + 1j * columns["impedance_imaginary"].astype(float)
    fit = run.fit & np.isfinite(z) & (columns["frequency"] > 0)
    frequency, z = columns["frequency"][fit].astype(float), z[fit]
    if not len(z):
        raise EvaluationError(f"run {run.run} has no impedance that is fit to be evaluated; look at its flags")
    quantities: dict[str, float] = {}
    units: dict[str, str] = {}
    warnings: list[str] = []
    body: dict[str, Any] = {"points": len(z), "ignored": int((~fit).sum())}
    try:
        tested = kramers_kronig(frequency, z)
    except AnalysisError as error:
        warnings.append(f"the Kramers-Kronig test was not made: {error}")
    else:
        body["kramers_kronig"] = tested.model_dump(mode="json")
        quantities["kramers-kronig"], units["kramers-kronig"] = tested.rms, "1"
        if not tested.consistent:
            warnings.append(
                f"the spectrum does not obey the Kramers-Kronig relations ({tested.rms:.2%} rms): the cell drifted, or"
                " the amplitude was too large"
            )
    if settings.circuit is not None:
        fitted = fit_circuit(
            frequency, z, settings.circuit, weighting=settings.weighting, confidence=settings.confidence
        )
        body["fit"] = fitted.model_dump(mode="json")
        for parameter in fitted.parameters:
            quantities[parameter.name], units[parameter.name] = parameter.estimate.value, parameter.unit
        quantities["fit-residual"], units["fit-residual"] = fitted.rms, "1"
        warnings += fitted.warnings
    return Finding({**body, "quantities": quantities, "units": units}, tuple(warnings))
