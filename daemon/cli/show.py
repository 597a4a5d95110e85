"""luggin show: one run, how it was asked for, what happened and how it ended."""

import argparse
import json
from dataclasses import asdict

from luggin.daemon.cli import exits
from luggin.daemon.cli.evaluations import newest
from luggin.daemon.cli.peak_tables import page
from luggin.daemon.cli.source import StoredRun, add_source_arguments, load

HELP = "show a run: method, instrument, events, result, the curve and its peaks"
_MOST_PEAKS = 12
_LONGEST_SENTENCE = 1000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run_id", metavar="RUN", help="run, as `luggin runs` lists it")
    parser.add_argument("--json", action="store_true", help="print everything but the points as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    (found,) = load(args, [args.run_id])
    peaks = newest(args, "peaks", run=args.run_id)
    if args.json:
        told = {
            "header": found.header.model_dump(mode="json"),
            "result": found.result.model_dump(mode="json") if found.result else None,
            "events": [event.model_dump(mode="json") for event in found.events],
            "gaps": found.gaps,
            "deleted": None if found.deletion is None else asdict(found.deletion),
            "head": found.head,
            "points": len(found.columns["index"]) if "index" in found.columns else 0,
            "peaks": None if peaks is None else peaks.model_dump(mode="json"),
        }
        print(json.dumps(told, indent=2))
    else:
        _page(found)
        if peaks is not None:
            print("\n".join(page(peaks, _MOST_PEAKS)))
    return exits.OK


def _page(found: StoredRun) -> None:
    from luggin.daemon.cli.words import moment
    from luggin.daemon.legible import legible

    header, result = found.header, found.result
    setup = {name: legible(value) for name, value in header.method["setup"].items()}
    identity = header.identity
    print(f"{header.run}  {header.method['technique']} {header.method['name']!r}")
    print(f"  started     {moment(header.utc)} on {header.node}/{header.instrument}, asked by {header.asked_by}"
          f"{'' if header.verified else ' (not verified)'}")  # fmt: skip
    print(f"  instrument  {identity.get('maker')} {identity.get('model')}, serial {identity.get('serial')}")
    print(f"  cell        {setup.get('electrode') or 'electrode not named'} against {setup['reference']}"
          f"{', sample ' + setup['sample'] if setup.get('sample') else ''}")  # fmt: skip
    if result is None:
        print("  ended       not yet")
    else:
        print(f"  ended       {result.state}: {result.sentence} Cell {result.cell}.")
    print(f"  hashes      head {found.head}")
    if result is not None:
        print(f"              result {result.hash}; keep it elsewhere: `luggin verify --seen` looks for it")
    if found.deletion is not None:
        deletion = found.deletion
        print(f"  DELETED     {moment(deletion.utc)} by {deletion.asked_by}: {deletion.reason}")
    for first, after in found.gaps:
        print(f"  lost        points {first} to {after - 1}")
    print("  events")
    for event in found.events:
        print(f"    {moment(event.utc)}  {event.kind}: {legible(event.sentence, _LONGEST_SENTENCE)}")
    picture = _picture(found)
    if picture:
        print(picture)


def _picture(found: StoredRun) -> str:
    import numpy as np

    from luggin.daemon.cli.drawing import curve_chart
    from luggin.daemon.figures.curve import CannotDraw, curve

    try:
        shown = curve(found.header.run, found.header.method, found.columns)
    except CannotDraw as reason:
        return f"  {reason}"
    return curve_chart(shown) if np.isfinite(shown.y).any() else ""
