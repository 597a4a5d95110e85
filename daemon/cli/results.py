"""luggin results: what was computed from stored runs, of every kind."""

import argparse
import json
from collections.abc import Callable, Iterable
from dataclasses import asdict
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments

if TYPE_CHECKING:
    from luggin.protocol.payloads import Evaluation

HELP = "list or show what was computed from runs: peaks, calibrations, concentrations, qualifications"
_PAGES = {
    "peaks": "luggin.daemon.cli.peak_tables:page",
    "calibration": "luggin.daemon.cli.quantification_pages:calibration_page",
    "concentration": "luggin.daemon.cli.quantification_pages:concentration_page",
    "standard-addition": "luggin.daemon.cli.quantification_pages:addition_page",
    "qualification": "luggin.daemon.cli.qualify:page",
}
"""Kind to module:function that gives the lines of an evaluation."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", nargs="?", metavar="NAME", help="show this one; a calibration's own name will do")
    parser.add_argument("--kind", metavar="KIND", help="list those of this kind only")
    parser.add_argument("--subject", metavar="SUBJECT", help="list those that tell of this: sample/NAME, run/NAME ...")
    parser.add_argument("--run", metavar="RUN", dest="of_run", help="list those that came from this run")
    parser.add_argument("-n", "--limit", type=int, default=20, metavar="N", help="how many (20)")
    parser.add_argument("--plot", metavar="FILE", help="draw the line of a calibration or standard addition")
    parser.add_argument("--json", action="store_true", help="print the evaluation, or the list, as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    if args.name is None:
        if args.plot is not None:
            raise CliError("--plot draws one evaluation; name it", exits.USAGE)
        return _list(args)
    made = _found(args)
    if args.plot is not None:
        plot(made, args.plot)
    show(made, args.json)
    return exits.OK


def show(made: "Evaluation", as_json: bool) -> None:
    """Print an evaluation of any kind."""
    print(json.dumps(made.model_dump(mode="json"), indent=2) if as_json else "\n".join(page(made)), flush=True)


def page(made: "Evaluation") -> Iterable[str]:
    """The lines of an evaluation: in the words of its kind, or its quantities by name."""
    if made.kind not in _PAGES:
        return _plain(made)
    module, _, name = _PAGES[made.kind].partition(":")
    lines: Callable[[Evaluation], Iterable[str]] = getattr(import_module(module), name)
    return lines(made)


def plot(made: "Evaluation", file: str) -> None:
    """Draw the line of a calibration or standard addition.  Raises CliError where there is none."""
    from luggin.daemon.figures.curve import CannotDraw
    from luggin.daemon.figures.draw import save
    from luggin.daemon.figures.quantification import line_figure

    try:
        save(line_figure(made), Path(file))
    except CannotDraw as error:
        raise CliError(str(error)) from None


def _found(args: argparse.Namespace) -> "Evaluation":
    from luggin.daemon.cli.evaluations import fetched, newest

    named = newest(args, "calibration", subject=f"calibration/{args.name}") if len(args.name) <= 64 else None
    return fetched(args, args.name) if named is None else named


def _list(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.evaluations import listed
    from luggin.daemon.cli.words import moment, table

    found = listed(
        args, kind=args.kind, subject=args.subject, run=args.of_run, limit=max(1, min(args.limit, 500))
    )  # fmt: skip
    if args.json:
        print(json.dumps([asdict(each) for each in found], indent=2))
    elif not found:
        print("nothing of that kind is stored")
    else:
        rows = [("evaluation", "made", "kind", "tells of", "runs", "holds until")]
        rows += [
            (
                each.name,
                moment(each.utc),
                each.kind,
                each.subject,
                str(len(each.runs)),
                "" if each.expires is None else moment(each.expires),
            )
            for each in found
        ]
        table(rows)
    return exits.OK


def _plain(made: "Evaluation") -> Iterable[str]:
    from luggin.daemon.cli.words import aligned, moment
    from luggin.protocol.evaluation.quantities import quantities

    body = made.body or {}
    units = body.get("units", {})
    yield f"{made.kind} of {made.subject}: {made.name}"
    yield f"  made        {moment(made.utc)} by {made.asked_by}{'' if made.verified else ' (not verified)'}"
    told = quantities(made.kind, body)
    if told:
        yield from aligned([(name, f"{value:.6g} {units.get(name, '')}") for name, value in told.items()])
    else:
        yield "  --json prints what was found"
    for warning in made.warnings:
        yield f"  note        {warning}"
