"""luggin plot: one or several runs as a picture."""

import argparse
from pathlib import Path

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, load

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
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    found = load(args, args.run_ids)
    from luggin.daemon.figures.curve import curve
    from luggin.daemon.figures.draw import CannotDraw, draw, save

    try:
        curves = [
            curve(_label(each.header.run, each.header.method), each.header.method, each.columns) for each in found
        ]
        save(draw(curves, args.convention), Path(args.output))
    except CannotDraw as error:
        raise CliError(str(error)) from None
    print(args.output)
    return exits.OK


def _label(run: str, method: dict[str, object]) -> str:
    setup = method["setup"]
    sample = setup.get("sample") if isinstance(setup, dict) else None
    return f"{run}  {sample}" if sample else run
