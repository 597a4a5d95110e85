"""Evaluations of every kind as parts of a report: the known ones in tables of their own, any other by its numbers."""

import json
from collections.abc import Callable, Mapping
from dataclasses import replace

from pydantic import ValidationError

from luggin.daemon.report.method_words import worded
from luggin.daemon.report.parts import Fact, Part, Table, cut, moment
from luggin.daemon.report.peaks import peaks_part
from luggin.daemon.report.quantification import addition_part, calibration_part, concentration_part
from luggin.protocol.evaluation import KINDS
from luggin.protocol.evaluation.quantities import quantities, unit_of
from luggin.protocol.fitness.results import QualificationBody
from luggin.protocol.payloads import Evaluation
from luggin.protocol.quantity import show

MOST_ROWS = 200
_LONGEST_BODY = 20_000


def evaluation_part(made: Evaluation) -> Part:
    """What was computed, from what, how, by whom."""
    kind = KINDS.get(made.kind)
    form = _FORMS.get(made.kind, _plain)
    try:
        part = form(made)
    except (ValidationError, KeyError, TypeError, ValueError):
        part = _plain(made)  # of another version of this program
    return replace(
        part,
        cautions=(*part.cautions, *made.warnings),
        facts=(*part.facts, *_made(made)),
        lead=part.lead or (kind.summary if kind is not None else ""),
    )


def _made(made: Evaluation) -> list[Fact]:
    vouched = "" if made.verified else " (not verified)"
    facts = [
        ("stored as", f"{made.kind}, {made.name}"),
        ("tells of", made.subject),
        ("from runs", ", ".join(made.runs) or "none"),
        ("made", f"{moment(made.utc)}, asked for by {made.asked_by}{vouched}, {made.software}"),
    ]
    if made.expires is not None:
        facts.append(("to be relied upon until", moment(made.expires)))
    kind = KINDS.get(made.kind)
    schema = kind.settings.model_json_schema() if kind is not None else {}
    settings = {name: value for name, value in made.settings.items() if name != "kind"}
    told = "; ".join(f"{name} {text}" for name, text in worded(settings, schema, schema) if text)
    return [*facts, ("settings", told or "the usual ones")]


def _plain(made: Evaluation) -> Part:
    """A kind that has no table of its own: its quantities, else all that it says."""
    body = made.body or {}
    told = quantities(made.kind, body) if made.kind != "peaks" else {}
    rows, left_out = cut([(name, _value(value, unit_of(made.kind, body, name))) for name, value in told.items()], 200)
    title = f"{made.kind.replace('-', ' ').capitalize()} of {made.subject}"
    if told:
        return Part(title=title, tables=[Table(("quantity", "value"), rows, left_out=left_out)])
    document = json.dumps(body, indent=1, ensure_ascii=False)
    return Part(title=title, document=document[:_LONGEST_BODY])


def _qualification(made: Evaluation) -> Part:
    body = QualificationBody.model_validate(made.body)
    rows, left_out = cut(
        [
            (
                each.name,
                _value(each.value, each.unit),
                _value(each.low, each.unit),
                _value(each.high, each.unit),
                "passed" if each.passed else "NOT PASSED",
                each.note,
            )
            for each in body.items
        ],
        MOST_ROWS,
    )
    return Part(
        title=f"Qualification of {made.subject.replace('/', ' ')}",
        result=[f"{'Passed' if body.passed else 'NOT PASSED'}, against {body.against}"],
        tables=[Table(("quantity", "value", "from", "to", "", ""), rows, left_out=left_out)],
        notes=[f"not looked at: {each}" for each in body.left_out],
    )


def _value(value: float | None, unit: str) -> str:
    return "-" if value is None else show(float(f"{value:.5g}"), unit or "1")


_FORMS: Mapping[str, Callable[[Evaluation], Part]] = {
    "peaks": peaks_part,
    "calibration": calibration_part,
    "concentration": concentration_part,
    "standard-addition": addition_part,
    "qualification": _qualification,
}
