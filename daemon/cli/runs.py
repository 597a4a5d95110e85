"""luggin runs: what was measured."""

import argparse
import json

from luggin.daemon.cli import exits
from luggin.daemon.cli.source import add_source_arguments, summaries

HELP = "list the newest runs"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-n", "--limit", type=int, default=20, metavar="N", help="how many (20)")
    parser.add_argument("--deleted", action="store_true", help="list the deleted runs instead")
    parser.add_argument("--json", action="store_true", help="print the list as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    found = summaries(args, max(1, min(args.limit, 500)), args.deleted)
    if args.json:
        print(json.dumps(found, indent=2))
        return exits.OK
    from luggin.daemon.cli.words import moment, table

    if not found and args.deleted:
        print("no run is deleted")
        return exits.OK
    if not found:
        print("no run is stored yet; `luggin run METHOD` makes one")
        return exits.OK
    rows = [("run", "started", "instrument", "technique", "points", "ended")]
    for each in found:
        ended = each["state"] or "not ended"
        rows.append(
            (each["run"], moment(each["utc"]), each["instrument"], each["technique"], str(each["points"]), ended)
        )
    table(rows)
    return exits.OK
