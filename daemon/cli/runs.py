"""luggin runs: what was measured."""

import argparse
import json

from luggin.daemon.cli import exits
from luggin.daemon.cli.source import add_source_arguments, summaries
from luggin.daemon.cli.wanted import add_wanted_arguments, wanted

HELP = "list the newest runs, or find runs by sample, electrode, method, date or words in the notes"
MOST = 10_000
_LONGEST_SAMPLE = 32


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-n", "--limit", type=int, default=20, metavar="N", help="how many (20)")
    parser.add_argument("--before", default="", metavar="RUN", help="only those begun before this run: the next page")
    parser.add_argument("--deleted", action="store_true", help="list the deleted runs instead")
    parser.add_argument("--json", action="store_true", help="print the list as JSON")
    add_wanted_arguments(parser)
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    asked, limit = wanted(args), max(1, min(args.limit, MOST))
    found = summaries(args, limit, args.deleted, asked, args.before)
    if args.json:
        print(json.dumps(found, indent=2))
        return exits.OK
    from luggin.daemon.cli.words import moment, table
    from luggin.daemon.legible import legible

    if not found and (asked.anything or args.before):
        print("no stored run fits")
        return exits.OK
    if not found and args.deleted:
        print("no run is deleted")
        return exits.OK
    if not found:
        print("no run is stored yet; `luggin run METHOD` makes one")
        return exits.OK
    rows = [("run", "started", "instrument", "technique", "sample", "points", "ended")]
    for each in found:
        ended = each["state"] or "not ended"
        told = (each["instrument"], each["technique"], legible(each.get("sample", ""), _LONGEST_SAMPLE))
        rows.append((each["run"], moment(each["utc"]), *told, str(each["points"]), ended))
    table(rows)
    if len(found) == limit:
        print(f"  perhaps there are more: --before {found[-1]['run']}")
    return exits.OK
