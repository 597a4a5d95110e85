"""luggin check: is this method valid, and what would it do?"""

import argparse
import json

from luggin.daemon.cli import exits

HELP = "validate a method file; say how long it lasts, how many points it makes and what it applies"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("method", help="method file, TOML or JSON")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.methods import read_method
    from luggin.protocol.advice import advice
    from luggin.protocol.program import bounds

    method, program = read_method(args.method)
    extent, remarks = bounds(program), advice(method, program)
    if args.json:
        found = {"method": method.document(), "bounds": extent.model_dump(), "remarks": remarks}
        print(json.dumps(found, indent=2))
        return exits.OK
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
    return exits.OK
