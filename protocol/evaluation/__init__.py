"""Evaluations: what is computed from stored runs.  Here are their kinds and the settings of each; pure.

A new kind is a settings model, an entry in KINDS, and its function in `luggin.daemon.evaluation.functions`.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from luggin.protocol.evaluation.addition_settings import STANDARD_ADDITION
from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.evaluation.impedance_settings import IMPEDANCE
from luggin.protocol.evaluation.level_settings import LEVELS
from luggin.protocol.evaluation.peak_settings import PEAKS
from luggin.protocol.evaluation.polarisation_settings import POLARISATION
from luggin.protocol.evaluation.pre_flight_settings import PRE_FLIGHT
from luggin.protocol.evaluation.qualification_settings import QUALIFICATION
from luggin.protocol.evaluation.quantification_settings import CALIBRATION, CONCENTRATION
from luggin.protocol.evaluation.resistance_settings import RESISTANCE
from luggin.protocol.problem import DocumentError, Problem, from_validation

KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        PEAKS,
        LEVELS,
        CALIBRATION,
        CONCENTRATION,
        STANDARD_ADDITION,
        QUALIFICATION,
        RESISTANCE,
        PRE_FLIGHT,
        IMPEDANCE,
        POLARISATION,
    )
}

MOST_IN_METHOD = 8


def settings_of(
    kind: str, given: Mapping[str, Any] | None = None, technique: str = "", prefix: str = ""
) -> EvaluationSettings:
    """The complete settings of an evaluation: what is given, beside the defaults for runs of this technique.

    Raises DocumentError with one problem for each wrong field, and for a kind that there is not.
    """
    found = KINDS.get(kind)
    if found is None:
        reason = "there is no such kind of evaluation" if kind else "this field is missing"
        raise DocumentError([Problem(f"{prefix}.kind" if prefix else "kind", kind or None, reason, _known())])
    usual = found.after.get(technique, {})
    try:
        return found.settings.model_validate({**usual, **(given or {}), "kind": kind})
    except ValidationError as error:
        raise DocumentError(from_validation(error, prefix)) from None


def in_method(given: object, technique: str) -> tuple[EvaluationSettings, ...]:
    """The section `evaluation` of a method: one table or a list of tables, each with its kind.

    A kind may be left out where runs of the technique are evaluated in one way only.  Raises DocumentError.
    """
    tables = [given] if isinstance(given, Mapping) else given
    if not isinstance(tables, Sequence) or isinstance(tables, str) or len(tables) > MOST_IN_METHOD:
        reason = f"expected a table or a list of at most {MOST_IN_METHOD} tables"
        raise DocumentError([Problem("evaluation", None, reason, "each with a kind and its settings")])
    problems: list[Problem] = []
    found: list[EvaluationSettings] = []
    for index, table in enumerate(tables):
        where = f"evaluation[{index}]"
        try:
            found.append(_one(table, technique, where))
        except DocumentError as error:
            problems += error.problems
    kinds = [each.kind for each in found]
    problems += [
        Problem("evaluation", kind, "this kind is listed twice", "give each kind once")
        for kind in sorted({kind for kind in kinds if kinds.count(kind) > 1})
    ]
    if problems:
        raise DocumentError(problems)
    return tuple(found)


def after_run(method: Mapping[str, Any]) -> tuple[EvaluationSettings, ...]:
    """What a run of this method (its stored document) is evaluated for as soon as it has ended.

    Raises DocumentError where the document is of a version whose settings this one can't read.
    """
    technique = str(method.get("technique", ""))
    asked = in_method(method.get("evaluation", ()), technique)
    named = {each.kind for each in asked}
    usual = [kind.name for kind in KINDS.values() if technique in kind.after and kind.name not in named]
    return (*asked, *(settings_of(kind, None, technique) for kind in usual))


def _one(table: object, technique: str, where: str) -> EvaluationSettings:
    if not isinstance(table, Mapping):
        raise DocumentError([Problem(where, table, "it is no table", "give a kind and its settings")])
    usual = [kind.name for kind in KINDS.values() if technique in kind.after]
    kind = table.get("kind", usual[0] if len(usual) == 1 else "")
    settings = settings_of(str(kind), table, technique, where)
    if KINDS[settings.kind].fewest_runs > 1:
        reason = "this kind needs several runs and can't stand in a method"
        raise DocumentError([Problem(f"{where}.kind", kind, reason, "ask for it once the runs are there")])
    return settings


def _known() -> str:
    return "known are " + ", ".join(KINDS)


__all__ = ["KINDS", "EvaluationSettings", "Kind", "after_run", "in_method", "settings_of"]
