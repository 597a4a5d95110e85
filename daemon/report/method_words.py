"""A method in words: its phases and sections with their units."""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from luggin.daemon.report.parts import Fact, Part, Table
from luggin.protocol import techniques
from luggin.protocol.method import Method
from luggin.protocol.method_parts import Preparation
from luggin.protocol.quantity import show

_SECTIONS = ("ranging", "limits", "ending", "open_circuit", "dead_man", "longest_hold", "mains_frequency", "pre_flight")
_DEEPEST = 6


def method_part(method: Mapping[str, Any]) -> Part:
    """What was to be done, as the run's header has it."""
    technique = techniques.TECHNIQUES.get(str(method.get("technique")))
    rows = []
    for number, phase in enumerate(method.get("phases", ())):
        name = str(phase.get("phase", ""))
        model = technique.parameters if technique is not None and name == "measure" else Preparation
        schema = model.model_json_schema()
        told = worded({key: value for key, value in phase.items() if key != "phase"}, schema, schema)
        rows.append((str(number), name, "; ".join(f"{label} {text}" for label, text in told)))
    schema = Method.model_json_schema()
    facts: list[Fact] = []
    for section in (each for each in _SECTIONS if each in method):
        facts += worded({section: method[section]}, schema, schema)
    document = json.dumps(method, indent=1, ensure_ascii=False, sort_keys=True)
    return Part(
        title="Method",
        lead=technique.summary if technique is not None else "",
        tables=[Table(("phase", "", "settings"), rows)],
        facts=facts,
        parts=[Part(title="The method's document", document=document, lead="As it was stored; numbers are SI.")],
    )


def worded(data: Mapping[str, Any], schema: Mapping[str, Any], root: Mapping[str, Any], deep: int = 0) -> list[Fact]:
    """Names and values of a document, with units where its schema has them."""
    return list(_worded(data, schema, root, "", deep))


def _worded(
    data: Mapping[str, Any], schema: Mapping[str, Any], root: Mapping[str, Any], before: str, deep: int
) -> Iterator[Fact]:
    properties = schema.get("properties", {})
    for name, value in data.items():
        described = properties.get(name, {})
        label = f"{before}{name.replace('_', ' ')}"
        choices = (described, *described.get("anyOf", ()), *described.get("oneOf", ()))
        if isinstance(value, Mapping) and deep < _DEEPEST:
            inner = next((_resolved(each, root) for each in choices if "$ref" in each), {})
            yield from _worded(value, inner, root, f"{label}: ", deep + 1)
        elif value is not None:
            unit = next((str(each["unit"]) for each in choices if "unit" in each), "")
            yield label, _text(value, unit)


def _resolved(described: Mapping[str, Any], root: Mapping[str, Any]) -> Mapping[str, Any]:
    found = root.get("$defs", {}).get(str(described["$ref"]).rpartition("/")[2], {})
    return found if isinstance(found, Mapping) else {}


def _text(value: object, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return show(float(value), unit) if unit else f"{value:.6g}"
    if isinstance(value, list | tuple):
        return ", ".join(_text(each, unit) for each in value)
    if isinstance(value, Mapping):
        told = ((name.replace("_", " "), _text(each, "")) for name, each in value.items() if each not in (None, ""))
        return f"({'; '.join(f'{name} {text}' for name, text in told)})"
    return str(value)
