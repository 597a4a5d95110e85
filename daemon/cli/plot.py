"""luggin plot: one or several runs as a picture."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, load

if TYPE_CHECKING:
    from luggin.daemon.figures.marks import Mark

HELP = "plot runs, overlaid, to a PNG, SVG or PDF file"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run_ids", nargs="+", metavar="RUN", help="runs, as `luggin runs` lists them")
    parser.add_argument("-o", "--output", required=True, metavar="FILE", help="picture, .png, .svg or .pdf")
    parser.add_argument(
        "--convention",
        choices=("iupac", "polarographic"),
        default="iupac",
        help="iupac: anodic current up, potential growing to the right; polarographic: both the other way round",
    )
    parser.add_argument(
        "--peaks", action="store_true", help="draw the peaks that were found last, with their baselines"
    )
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    found = load(args, args.run_ids)
    from luggin.daemon.figures.curve import CannotDraw, curve
    from luggin.daemon.figures.draw import draw, save

    try:
        curves = [
            curve(_label(each.header.run, each.header.method), each.header.method, each.columns) for each in found
        ]
        marks = [_marks(args, each) for each in args.run_ids] if args.peaks else []
        save(draw(curves, args.convention, marks), Path(args.output))
    except CannotDraw as error:
        raise CliError(str(error)) from None
    print(args.output)
    return exits.OK


def _marks(args: argparse.Namespace, run: str) -> "tuple[Mark, ...]":
    from luggin.daemon.cli.evaluations import newest
    from luggin.daemon.figures.marks import MOST, marks_of
    from luggin.protocol.evaluation.peak_results import PeaksBody

    found = newest(args, "peaks", run=run)
    if found is None:
        raise CliError(f"no peaks of {run} are stored; `luggin peaks {run} --detect` looks for them")
    body = PeaksBody.model_validate(found.body)
    if len(body.peaks) > MOST:
        print(f"{run}: of {len(body.peaks)} peaks the last {MOST} are drawn", file=sys.stderr)
    return marks_of(body)


def _label(run: str, method: dict[str, object]) -> str:
    setup = method["setup"]
    sample = setup.get("sample") if isinstance(setup, dict) else None
    return f"{run}  {sample}" if sample else run
