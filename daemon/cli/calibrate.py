"""luggin calibrate: a calibration from runs of standards."""

import argparse
from pathlib import Path
from typing import Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments

HELP = "make a calibration from the runs of standards: line, tests, limits of detection; stored with a validity"
_KIND = "calibration"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="FILE", nargs="?", help="settings of the calibration, TOML or JSON; options add to it"
    )
    parser.add_argument("--name", metavar="NAME", help="what the calibration is called")
    parser.add_argument("--analyte", metavar="NAME", help="substance, as the runs' peaks name it")
    parser.add_argument(
        "--level",
        action="append",
        nargs="+",
        metavar=("CONCENTRATION", "RUN"),
        help='a standard and its runs: --level "5 mg/L" RUN RUN; 0 for a blank; repeated for each standard',
    )
    parser.add_argument(
        "--signal", metavar="QUANTITY", help="height (default), area, or a quantity of the runs by name"
    )
    parser.add_argument("--weighting", choices=("none", "1/x", "1/x2", "1/s2"), help="variance of a signal (none)")
    parser.add_argument("--measurements", type=int, metavar="N", help="replicates of a sample, for the limits (1)")
    parser.add_argument("--valid-for", metavar="DURATION", help='how long it may be used, such as "7 d" (the default)')
    add_shared_arguments(parser)


def add_shared_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of everything that is quantified."""
    parser.add_argument("--confidence", type=float, metavar="SHARE", help="of intervals (0.95)")
    parser.add_argument("--leave-out", action="append", metavar="RUN", help="a run that is not to count; repeatable")
    parser.add_argument("--plot", metavar="FILE", help="draw the line to this file")
    parser.add_argument("--json", action="store_true", help="print the evaluation as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.evaluations import make
    from luggin.daemon.cli.results import plot, show

    settings = {} if args.file is None else read_settings(args.file)
    settings |= given(args, ("name", "analyte", "signal", "weighting", "measurements", "valid_for"))
    settings["levels"] = [*settings.get("levels", ()), *map(_level, args.level or ())]
    complete = checked(_KIND, settings)
    runs = [each for level in complete["levels"] for each in level["runs"]]
    if any(level["label"] for level in complete["levels"]):
        raise CliError("levels by label are for the evaluation of a sequence; name the runs of each level", exits.USAGE)
    made = make(args, _KIND, runs, complete)
    if args.plot is not None:
        plot(made, args.plot)
    show(made, args.json)
    return exits.OK


def given(args: argparse.Namespace, names: tuple[str, ...]) -> dict[str, Any]:
    """The settings among the options that somebody gave."""
    shared = ("confidence", "leave_out")
    return {name: value for name in (*names, *shared) if (value := getattr(args, name)) is not None}


def checked(kind: str, settings: dict[str, Any]) -> dict[str, Any]:
    """The settings, complete.  Raises CliError with a sentence for each wrong field."""
    from luggin.protocol.evaluation import settings_of
    from luggin.protocol.problem import DocumentError

    try:
        return settings_of(kind, settings).model_dump(mode="json")
    except DocumentError as error:
        raise CliError(str(error), exits.BAD_DOCUMENT) from None


def read_settings(path: str) -> dict[str, Any]:
    """A document's table.  Raises CliError."""
    from luggin.protocol import document
    from luggin.protocol.problem import DocumentError

    try:
        with Path(path).open("rb") as file:
            return document.read(file.read(document.MOST_BYTES + 1), path)
    except DocumentError as error:
        raise CliError(str(error), exits.BAD_DOCUMENT) from None
    except OSError as error:
        raise CliError(f"{path} can't be read: {error.strerror}", exits.BAD_DOCUMENT) from None


def _level(words: list[str]) -> dict[str, Any]:
    concentration, *runs = words
    if not runs:
        raise CliError(
            f"--level {concentration!r} names no run; write --level CONCENTRATION RUN [RUN ...]", exits.USAGE
        )
    try:
        return {"concentration": float(concentration), "runs": runs}
    except ValueError:
        return {"concentration": concentration, "runs": runs}
