"""luggin concentration: the concentration in a sample, read from a calibration."""

import argparse

from luggin.daemon.cli import exits
from luggin.daemon.cli.calibrate import add_shared_arguments, checked, given
from luggin.daemon.cli.exits import CliError

HELP = "the concentration in a sample from its runs and a calibration, with its confidence interval"
_KIND = "concentration"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("runs", nargs="+", metavar="RUN", help="the runs of one sample, its replicates")
    parser.add_argument(
        "--calibration", required=True, metavar="NAME", help="name of a calibration (its newest), or of an evaluation"
    )
    parser.add_argument("--blank", action="append", metavar="RUN", help="a run of the procedure without sample")
    parser.add_argument("--dilution", metavar="FACTOR", help="how many times the sample was diluted (1)")
    parser.add_argument("--dilution-uncertainty", metavar="U", help="standard uncertainty of that factor (0)")
    parser.add_argument("--analyte", metavar="NAME", help="substance; the calibration's by default")
    parser.add_argument("--signal", metavar="QUANTITY", help="quantity of the runs; the calibration's by default")
    parser.add_argument("--added", metavar="CONCENTRATION", help="recovery: what was added to the sample, or certified")
    parser.add_argument("--unspiked", metavar="NAME", help="recovery: evaluation of the sample before that was added")
    add_shared_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.evaluations import make
    from luggin.daemon.cli.results import show

    if args.plot is not None:
        raise CliError("a concentration has no line to draw; `luggin results NAME --plot FILE` draws its calibration's")
    if args.unspiked is not None and args.added is None:
        raise CliError("--unspiked goes with --added", exits.USAGE)
    settings = given(args, ("calibration", "analyte", "signal"))
    for name in ("dilution", "dilution_uncertainty"):
        if getattr(args, name) is not None:
            settings[name] = getattr(args, name)
    blanks = args.blank or []
    if blanks:
        settings["blanks"] = blanks
    if args.added is not None:
        settings["recovery"] = {"added": args.added, "unspiked": args.unspiked}
    complete = checked(_KIND, settings)
    complete["calibration"] = _stored(args)
    show(make(args, _KIND, [*args.runs, *(run for run in blanks if run not in args.runs)], complete), args.json)
    return exits.OK


def _stored(args: argparse.Namespace) -> str:
    """The evaluation that is meant, so that the settings say which one it was."""
    from luggin.daemon.cli.evaluations import newest

    found = newest(args, "calibration", subject=f"calibration/{args.calibration}")
    return str(args.calibration) if found is None else found.name
