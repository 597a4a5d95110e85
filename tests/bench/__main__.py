"""Runs the measurements: `python tests/bench [-o FILE] [--quick] [NAME ...]`; prints a table and writes JSON.

Nothing passes or fails here.  What is compared is measured side by side, on the same machine, one after the other.
"""

import argparse
import json
import os
import platform
import sys
import time
from dataclasses import asdict
from importlib import import_module
from pathlib import Path

import structlog

sys.path[:1] = [str(Path(__file__).parents[1])]

MEASUREMENTS = (
    "whole_road",
    "latency",
    "cell_off",
    "five_instruments",
    "memory",
    "start",
    "link",
    "store",
    "publisher",
    "simulator",
)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python tests/bench", description="Measure luggin on this machine.")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(MEASUREMENTS)}; default: all")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write the results there, JSON")
    parser.add_argument(
        "--quick", action="store_true", help="small sizes: shows that it works, the figures mean little"
    )
    given = parser.parse_args()
    if unknown := set(given.names) - set(MEASUREMENTS):
        parser.error(f"{', '.join(sorted(unknown))}: unknown; there are {', '.join(MEASUREMENTS)}")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    silent = [structlog.processors.JSONRenderer(default=str)]
    structlog.configure(processors=silent, logger_factory=structlog.ReturnLoggerFactory())
    machine = {
        "machine": platform.machine(),
        "system": platform.platform(),
        "python": platform.python_version(),
        "cores": os.cpu_count(),
        "load": os.getloadavg()[0],
        "quick": given.quick,
    }
    print(", ".join(f"{name} {value}" for name, value in machine.items()), flush=True)
    results = {}
    for name in given.names or MEASUREMENTS:
        begun = time.monotonic()
        rows = import_module(f"bench.{name}").measure(given.quick)
        took = time.monotonic() - begun
        print(f"\n{name} ({took:.0f} s)")
        for row in rows:
            print(f"  {row.what:58} {row.value:12,.4g} {row.unit:9} {row.remark}", flush=True)
        results[name] = {"seconds": took, "rows": [asdict(row) for row in rows]}
    if given.output:
        given.output.write_text(json.dumps({**machine, "results": results}, indent=1) + "\n")


if __name__ == "__main__":
    main()
