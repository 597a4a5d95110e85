"""luggin nodes: which daemons a broker knows."""

import argparse
import json
import time
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.reach import add_broker_arguments, found_nodes
from luggin.daemon.cli.words import table

if TYPE_CHECKING:
    from luggin.protocol.payloads import NodeStatus

HELP = "which daemons a broker knows, with their instruments; commands reach one with -i NODE/INSTRUMENT"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    add_broker_arguments(parser)


def run(args: argparse.Namespace) -> int:
    found = found_nodes(args)
    if args.json:
        print(json.dumps([each.model_dump(mode="json") for each in found], indent=2))
        return exits.OK
    table([("node", "", "since", "machine", "luggin", "instruments"), *map(_row, found)])
    return exits.OK


def _row(status: "NodeStatus") -> tuple[str, ...]:
    since = "-" if status.utc is None else time.strftime("%Y-%m-%d %H:%M", time.localtime(status.utc))
    instruments = ", ".join(status.instruments) or "-"
    return (
        status.node,
        "online" if status.online else "OFFLINE",
        since,
        status.machine or "-",
        status.software,
        instruments,
    )
