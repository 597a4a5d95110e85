"""luggin doctor: is this installation fit for unattended work, and what to do where it is not."""

import argparse
import json
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits

if TYPE_CHECKING:
    from luggin.daemon.checkup import Finding

HELP = "look at ports, clock, disk, store, broker, instruments and the daemon; energises nothing"
_MARKS = {"good": "ok", "remark": "note", "bad": "BAD"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", metavar="FILE", help="configuration, TOML; default: luggin.toml where it belongs")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(args: argparse.Namespace) -> int:
    import asyncio
    from dataclasses import asdict

    from luggin.daemon.checkup import Grade, check_up
    from luggin.daemon.cli.local_socket import ask, find_socket
    from luggin.daemon.cli.serve import read_configuration
    from luggin.daemon.local import socket_of

    path, settings = read_configuration(args.config)
    name = settings.node.name
    reply = ask(find_socket(name) or socket_of(settings.node.runtime, name), {"verb": "status"})
    found = asyncio.run(check_up(settings, None if reply is None else reply.data))
    if args.json:
        print(json.dumps([asdict(each) for each in found], indent=2))
    else:
        print(f"configuration {path}")
        _tell(found)
    return exits.FAILED if any(each.grade is Grade.BAD for each in found) else exits.OK


def _tell(found: "list[Finding]") -> None:
    width = max(len(each.what) for each in found)
    for each in found:
        print(f"{_MARKS[each.grade]:4}  {each.what:{width}}  {each.sentence}")
        if each.remedy:
            print(f"      {'':{width}}  remedy: {each.remedy}")
