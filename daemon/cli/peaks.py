"""luggin peaks: the peaks of a run, found by the daemon or anew, with what a person sets or removes."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments

if TYPE_CHECKING:
    from luggin.protocol.payloads import Evaluation

HELP = "show the peaks of a run, look for them anew, set or remove one by hand"
KIND = "peaks"
_BASELINES = ("straight", "tangent", "polynomial", "asymmetric-least-squares")
_SECTION = "evaluation"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run_id", metavar="RUN", help="run, as `luggin runs` lists it")
    parser.add_argument("--json", action="store_true", help="print the evaluation, or the list, as JSON")
    parser.add_argument("--all", action="store_true", help="list every evaluation of the run's peaks, newest first")
    parser.add_argument("--evaluation", metavar="NAME", help="show this one instead of the newest")
    group = parser.add_argument_group(
        "looking anew (what was found before stays stored; potentials in V, or with a unit: 350mV)"
    )
    group.add_argument("--detect", action="store_true", help="look for peaks with the settings below, else the usual")
    group.add_argument("--settings", metavar="FILE", help="settings as in the section evaluation of a method")
    group.add_argument("--baseline", choices=_BASELINES, help="kind of baseline under the peaks")
    group.add_argument("--anchors", nargs=2, metavar=("E1", "E2"), help="the baseline's two potentials")
    group.add_argument("--search", nargs=2, metavar=("E1", "E2"), help="report peaks between these potentials only")
    group.add_argument("--smoothing", metavar="WIDTH", help="smooth (Savitzky-Golay) over this width of potential")
    group.add_argument(
        "--resistance",
        metavar="R",
        help="correct for this uncompensated resistance (120ohm), or for that which a RUN of the same cell found",
    )
    group.add_argument(
        "--analyte",
        action="append",
        nargs=3,
        metavar=("NAME", "E1", "E2"),
        help="substance whose peak lies between these potentials; may be repeated",
    )
    group = parser.add_argument_group("by hand, on top of what was found last")
    group.add_argument("--set", nargs=2, metavar=("E1", "E2"), help="set a peak on a line between these potentials")
    group.add_argument("--at", metavar="E", help="with --set: the peak's potential; else where the line is farthest")
    group.add_argument("--remove", metavar="E", help="remove the peak at this potential")
    group.add_argument("--sweep", type=int, metavar="N", help="in this sweep of the run, counted from 1")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    if args.all:
        return _list(args)
    looking = _looking(args)
    by_hand = args.set is not None or args.remove is not None
    _check_usage(args, by_hand)
    if looking or by_hand:
        return _show(args, _made(args, looking, by_hand))
    from luggin.daemon.cli.evaluations import fetched, newest

    found = fetched(args, args.evaluation) if args.evaluation else newest(args, KIND, run=args.run_id)
    if found is None:
        raise CliError(f"no peaks of {args.run_id} are stored; `luggin peaks {args.run_id} --detect` looks for them")
    if found.kind != KIND or args.run_id not in found.runs:
        raise CliError(f"{found.name} is no evaluation of the peaks of {args.run_id}; --all lists those", exits.USAGE)
    return _show(args, found)


def _looking(args: argparse.Namespace) -> bool:
    options = (args.settings, args.baseline, args.anchors, args.search, args.smoothing, args.analyte, args.resistance)
    return args.detect or any(option is not None for option in options)


def _check_usage(args: argparse.Namespace, by_hand: bool) -> None:
    if args.set is not None and args.remove is not None:
        raise CliError("set a peak or remove one, not both at once", exits.USAGE)
    if args.at is not None and args.set is None:
        raise CliError("--at says where --set puts the peak; give --set too", exits.USAGE)
    if args.sweep is not None and not by_hand:
        raise CliError("--sweep goes with --set or --remove", exits.USAGE)


def _made(args: argparse.Namespace, looking: bool, by_hand: bool) -> "Evaluation":
    from luggin.daemon.cli.evaluations import make, newest

    settings: dict[str, Any] = {}
    if looking:
        settings = _settings(args)
    elif (last := newest(args, KIND, run=args.run_id)) is not None:
        settings = dict(last.settings)
    if by_hand:
        settings["edits"] = [*settings.get("edits", ()), _edit(args)]
    return make(args, KIND, [args.run_id], settings)


def _settings(args: argparse.Namespace) -> dict[str, Any]:
    settings = _read(args.settings) if args.settings else {}
    if args.baseline is not None:
        settings["baseline"] = {"kind": args.baseline}
    if args.anchors is not None:
        baseline = settings.get("baseline")
        if not isinstance(baseline, dict) or baseline.get("kind") not in ("straight", "tangent"):
            raise CliError("--anchors go with --baseline straight or tangent", exits.USAGE)
        settings["baseline"] = {**baseline, "anchors": [_potential(each) for each in args.anchors]}
    if args.search is not None:
        settings["search"] = [_potential(each) for each in args.search]
    if args.smoothing is not None:
        settings["smoothing"] = {"width": _potential(args.smoothing)}
    if args.analyte is not None:
        settings["analytes"] = [
            {"name": name, "window": [_potential(low), _potential(high)]} for name, low, high in args.analyte
        ]
    if args.resistance is not None:
        settings["uncompensated_resistance"] = _resistance(args)
    return settings


def _resistance(args: argparse.Namespace) -> float:
    """The one that was given, or that of a run."""
    from luggin.daemon.cli.evaluations import newest
    from luggin.protocol import topics
    from luggin.protocol.evaluation.quantities import quantities
    from luggin.protocol.quantity import QuantityError, parse

    try:
        return parse(args.resistance, "ohm")
    except QuantityError as error:
        if not topics.is_segment(args.resistance):
            raise CliError(f"--resistance: {error}", exits.USAGE) from None
    for kind in ("resistance", "pre-flight"):
        found = newest(args, kind, run=args.resistance)
        value = None if found is None else quantities(kind, found.body or {}).get("uncompensated-resistance")
        if value is not None:
            return value
    raise CliError(f"--resistance: run {args.resistance} has no uncompensated resistance; give one, such as 120ohm")


def _edit(args: argparse.Namespace) -> dict[str, Any]:
    edit: dict[str, Any] = {"action": "remove", "potential": args.remove and _potential(args.remove)}
    if args.set is not None:
        anchors = [_potential(each) for each in args.set]
        edit = {"action": "set", "anchors": anchors, "potential": args.at and _potential(args.at)}
    return {**edit, "sweep": args.sweep}


def _read(path: str) -> dict[str, Any]:
    """Settings from a file of their own, or from the section of a method."""
    from luggin.protocol import document
    from luggin.protocol.problem import DocumentError

    try:
        found = document.read(Path(path).read_bytes(), path)
    except DocumentError as error:
        raise CliError(str(error), exits.BAD_DOCUMENT) from None
    except OSError as error:
        raise CliError(f"{path} can't be read: {error.strerror}", exits.BAD_DOCUMENT) from None
    tables = found.get(_SECTION, found)
    tables = tables if isinstance(tables, list) else [tables]
    table = next((each for each in tables if isinstance(each, dict) and each.get("kind", KIND) == KIND), None)
    if table is None:
        raise CliError(f"{path} has no settings of the kind {KIND}", exits.BAD_DOCUMENT)
    return dict(table)


def _potential(text: str) -> float:
    """V; a plain number is in V."""
    from luggin.protocol.quantity import QuantityError, parse

    try:
        return float(text)
    except ValueError:
        pass
    try:
        return parse(text, "V")
    except QuantityError as error:
        raise CliError(f"a potential was expected: {error}", exits.USAGE) from None


def _list(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.evaluations import fetched, listed
    from luggin.daemon.cli.peak_tables import overview
    from luggin.daemon.cli.words import table

    found = [fetched(args, each.name) for each in listed(args, kind=KIND, run=args.run_id, limit=500)]
    if args.json:
        print(json.dumps([each.model_dump(mode="json") for each in found], indent=2))
    elif not found:
        print(f"no peaks of {args.run_id} are stored")
    else:
        table([("evaluation", "made", "asked by", "peaks", "by hand"), *(overview(each) for each in found)])
    return exits.OK


def _show(args: argparse.Namespace, found: "Evaluation") -> int:
    from luggin.daemon.cli.peak_tables import page

    if args.json:
        print(json.dumps(found.model_dump(mode="json"), indent=2))
    else:
        print("\n".join(page(found)))
    return exits.OK
