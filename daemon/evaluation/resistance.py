"""The kind `resistance`: the real part of the impedance where the double layer is a short circuit."""

from collections.abc import Sequence

import numpy as np

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.resistance_settings import UncompensatedResistanceSettings

_LARGEST_PHASE = np.radians(20)


def find_resistance(runs: Sequence[RunData], settings: UncompensatedResistanceSettings) -> Finding:
    """Of one run: `uncompensated-resistance` in ohm.  Raises EvaluationError where there is no impedance."""
    (run,) = runs
    z = impedances(run)
    value = at_high_frequency(run)
    if value is None:
        raise EvaluationError(f"run {run.run} has no impedance that is fit to be evaluated; look at its flags")
    warnings = []
    if abs(np.angle(z[-1])) > _LARGEST_PHASE:
        angle = np.degrees(np.angle(z[-1]))
        warnings.append(f"the phase angle is {angle:.0f} degrees: measure at a higher frequency, or look at the wiring")
    name = "uncompensated-resistance"
    return Finding({"quantities": {name: value}, "units": {name: "ohm"}}, tuple(warnings))


def at_high_frequency(run: RunData) -> float | None:
    """Real part (ohm) at the highest frequency that was measured well, None when there is none."""
    z = impedances(run)
    return float(z[-1].real) if len(z) and z[-1].real > 0 else None


def impedances(run: RunData) -> "np.ndarray[tuple[int], np.dtype[np.complex128]]":
    """Impedances (ohm) that are fit to be evaluated, in the order of their frequencies, shape (n,)."""
    columns = run.measured
    if "impedance_real" not in columns:
        return np.empty(0, dtype=np.complex128)
    z = columns["impedance_real"].astype(float) + 1j * columns["impedance_imaginary"].astype(float)
    fit = run.fit & np.isfinite(z)
    order = np.argsort(columns["frequency"][fit], kind="stable")
    return np.asarray(z[fit][order])
