"""luggin explain: what a technique is, its parameters, a drawing and a ready example."""

import argparse
import json
from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo

    from luggin.protocol.techniques import Technique

HELP = "explain a technique: what it is, its parameters, a drawing and a ready example"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "technique", metavar="TECHNIQUE", nargs="?", help="name or abbreviation; without it all techniques are listed"
    )
    parser.add_argument("--example", action="store_true", help="print nothing but the example method")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    from luggin.protocol import techniques

    if args.technique is None:
        _list(techniques.TECHNIQUES.values(), args.json)
        return exits.OK
    technique = techniques.find(args.technique)
    if technique is None:
        known = ", ".join(t.alias for t in techniques.TECHNIQUES.values())
        raise CliError(f"there is no technique {args.technique!r}; known are {known}", exits.USAGE)
    if args.example:
        print(technique.example, end="")
    elif args.json:
        print(json.dumps(_described(technique), indent=2))
    else:
        _page(technique)
    return exits.OK


def _list(known: Any, as_json: bool) -> None:
    if as_json:
        print(json.dumps([_described(technique) for technique in known], indent=2))
        return
    width = max(len(technique.name) for technique in known)
    short = max(len(technique.alias) for technique in known)
    for technique in known:
        print(f"{technique.name:{width}}  {technique.alias:{short}}  {technique.summary.split('. ')[0].rstrip('.')}.")
    print(
        "\n`luggin explain NAME` tells more; `luggin explain NAME --example > method.toml` gives you a method to edit."
    )


def _page(technique: "Technique") -> None:
    import textwrap

    from luggin.daemon.cli.drawing import detail_charts, program_chart
    from luggin.protocol import document, method

    example = method.parse(document.read(technique.example))
    print(f"{technique.name} ({technique.alias})\n")
    print(textwrap.fill(technique.summary, 96))
    print("\nThe potential program of the example below:\n")
    program = method.compile_method(example)
    print(program_chart(program))
    if program.open_circuit is not None:
        print("\n(drawn as if the open-circuit potential were 0 V)")
    for title, drawing in detail_charts(program):
        print(f"\n{title}:\n")
        print(drawing)
    print("\nParameters of the measuring phase (a bare number is in the SI unit shown):\n")
    rows = [(p["name"], p["unit"], p["range"], p["default"], p["meaning"]) for p in _parameters(technique)]
    head = ("parameter", "unit", "range", "default", "meaning")
    widths = [max(len(str(row[i])) for row in [*rows, head]) for i in range(4)]
    for row in (head, *rows):
        print("  " + "  ".join(f"{cell:{width}}" for cell, width in zip(row, widths, strict=False)) + f"  {row[4]}")
    print("\nExample:\n")
    print(textwrap.indent(technique.example, "  "), end="")


def _described(technique: "Technique") -> dict[str, Any]:
    return {
        "name": technique.name,
        "alias": technique.alias,
        "summary": technique.summary,
        "parameters": _parameters(technique),
        "example": technique.example,
    }


def _parameters(technique: "Technique") -> list[dict[str, str]]:
    described = technique.parameters.model_json_schema()["properties"]
    return [
        {
            "name": name,
            "unit": _unit(described[name]),
            "range": _range(field),
            "default": _default(field),
            "meaning": field.description or "",
        }
        for name, field in technique.parameters.model_fields.items()
        if name != "phase"
    ]


def _unit(described: dict[str, Any]) -> str:
    choices = (described, *described.get("anyOf", ()))
    return next((str(choice["unit"]) for choice in choices if "unit" in choice), "")


def _default(field: "FieldInfo") -> str:
    if field.is_required():
        return "required"
    if isinstance(field.default, bool):
        return str(field.default).lower()
    return f"{field.default:g}" if isinstance(field.default, int | float) else str(field.default or "none")


def _range(field: "FieldInfo") -> str:
    if get_origin(field.annotation) is Literal:
        return " or ".join(map(str, get_args(field.annotation)))
    signs = {"gt": ">", "ge": ">=", "lt": "<", "le": "<="}
    return ", ".join(
        f"{sign} {getattr(bound, name):g}"
        for bound in field.metadata
        for name, sign in signs.items()
        if getattr(bound, name, None) is not None
    )
