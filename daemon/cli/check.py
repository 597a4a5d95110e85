"""luggin check: is this method valid, what would it do, and can an instrument here execute it?"""

import argparse
import json
from typing import Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import add_broker_arguments, ask_daemon

HELP = "validate a method file; say how long it lasts and what it applies; with -i, whether that instrument can do it"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("method", metavar="FILE", help="method file, TOML or JSON")
    parser.add_argument("-i", "--instrument", metavar="NAME", help="ask the daemon whether this one can execute it")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    add_broker_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.methods import read_method
    from luggin.protocol.advice import advice
    from luggin.protocol.program import bounds

    method, program = read_method(args.method)
    extent, remarks = bounds(program), advice(method, program)
    answer = None if args.instrument is None else ask_daemon(args, args.instrument, "check", method=method.document())
    code = exits.OK
    if answer is not None and not answer.accepted:
        code = exits.BAD_DOCUMENT if answer.problems else exits.NOT_REACHABLE
    if args.json:
        found: dict[str, Any] = {"method": method.document(), "bounds": extent.model_dump(), "remarks": remarks}
        if answer is not None:
            found[args.instrument] = {"able": answer.accepted, "problems": answer.problems, "sentence": answer.sentence}
        print(json.dumps(found, indent=2))
        return code
    from luggin.daemon.cli.words import duration, window

    print(f"{args.method}: valid {method.technique} {method.name!r}")
    print(f"  lasts at most   {duration(extent.duration)}")
    print(f"  points at most  {extent.points}")
    print(f"  applies         {window(extent)}, against {method.setup.reference}")
    limit = program.limits.potential
    print(f"  stops outside   {limit.low:.6g} V to {limit.high:.6g} V")
    print(f"  if the host falls silent for {program.dead_man.timeout:.6g} s: {program.dead_man.action}")
    for remark in remarks:
        print(f"  note: {remark}")
    if answer is not None and not answer.accepted:
        head = f"{args.instrument} can't execute it:" if answer.problems else answer.sentence
        raise CliError("\n  ".join([head, *answer.problems]), code)
    if answer is not None:
        print(f"  {answer.sentence}")
    return exits.OK
