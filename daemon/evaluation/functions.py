"""The function of each kind of evaluation: from runs and settings to what is found.  Pure; loaded when needed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation import KINDS, EvaluationSettings, settings_of


@dataclass(frozen=True)
class Finding:
    """What is found: JSON-able `body`, and sentences on what makes it doubtful.

    `subject` is what it tells of (see payloads.Subject), the one run by default; `valid_for` how long it may be relied
    upon, s, None for ever.
    """

    body: Mapping[str, Any]
    warnings: tuple[str, ...] = ()
    subject: str = ""
    valid_for: float | None = None


Function = Callable[[Sequence[RunData], Any], Finding]
"""Gets the runs in the order given, and settings of the kind's own model.  Raises EvaluationError or AnalysisError
with one sentence where the data yield no answer; "nothing found" is an answer."""

FUNCTIONS: Mapping[str, str] = {
    "peaks": "luggin.daemon.evaluation.peaks:find_peaks",
    "levels": "luggin.daemon.evaluation.levels:find_levels",
    "calibration": "luggin.daemon.evaluation.calibration:calibrated",
    "concentration": "luggin.daemon.evaluation.concentration:found_in_sample",
    "standard-addition": "luggin.daemon.evaluation.addition:found_by_addition",
    "qualification": "luggin.daemon.evaluation.qualification:qualify",
    "resistance": "luggin.daemon.evaluation.resistance:find_resistance",
    "pre-flight": "luggin.daemon.evaluation.pre_flight:look",
    "impedance": "luggin.daemon.evaluation.impedance:find_impedance",
    "polarisation": "luggin.daemon.evaluation.polarisation:find_polarisation",
}
"""Kind to module:function."""


def evaluate(
    kind: str, runs: Sequence[RunData], settings: EvaluationSettings | Mapping[str, Any] | None = None
) -> Finding:
    """Evaluate runs, in this process.

    Raises DocumentError for wrong settings, EvaluationError where the runs can't be evaluated so.
    """
    if not isinstance(settings, EvaluationSettings):
        settings = settings_of(kind, settings, runs[0].technique if runs else "")
    _check_number(kind, len(runs))
    module, _, name = FUNCTIONS[kind].partition(":")
    function: Function = getattr(import_module(module), name)
    from luggin.daemon.analysis.errors import AnalysisError

    try:
        found = function(runs, settings)
    except AnalysisError as error:
        raise EvaluationError(str(error)) from None
    return found if found.subject else Finding(found.body, found.warnings, f"run/{runs[-1].run}", found.valid_for)


def _check_number(kind: str, runs: int) -> None:
    fewest, most = KINDS[kind].fewest_runs, KINDS[kind].most_runs
    if not fewest <= runs <= most:
        needed = f"{fewest}" if fewest == most else f"{fewest} to {most}"
        raise EvaluationError(f"{kind} is computed from {needed} run{'s' if most > 1 else ''}, not from {runs}")
