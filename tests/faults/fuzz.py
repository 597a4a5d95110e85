"""Many wrong inputs to everything that reads something from outside.

    python tests/faults/fuzz.py --count 1000000 --seed 1 [link command method cell configuration]
    python tests/faults/fuzz.py --engine atheris --count 1000000 link

Inputs are valid ones with changes in their structure, drawn by Hypothesis; with the engine atheris (an extra package,
`pip install .[fuzz]`) the draws follow the coverage of the code.  The first input that breaks a promise is shown in
its smallest form, and the exit code is 1.
"""

import argparse
import logging
import sys
import time
from importlib import import_module
from pathlib import Path
from typing import Any

import structlog
from hypothesis import HealthCheck, Phase, given, seed, settings

sys.path.insert(0, str(Path(__file__).parents[1]))

_BLOCK = 10_000  # a block of Hypothesis remembers all its inputs


def fuzzed(name: str, count: int, number: int) -> Any:
    """A test of `count` inputs to this target."""
    from faults.targets import TARGETS

    strategy, target = TARGETS[name]
    options = settings(
        max_examples=count, database=None, deadline=None, suppress_health_check=list(HealthCheck),
        phases=[Phase.generate, Phase.shrink],
    )  # fmt: skip

    def test(content: Any) -> None:
        target(content)

    drawn: Any = given(strategy)
    return seed(number)(options(drawn(test)))


def by_hypothesis(name: str, count: int, number: int) -> None:
    for first in range(0, count, _BLOCK):
        fuzzed(name, min(_BLOCK, count - first), number * 1_000_003 + first)()


def by_atheris(name: str, count: int, number: int) -> None:
    """Does not return: the engine ends the process."""
    atheris: Any = import_module("atheris")
    with atheris.instrument_imports(include=["luggin"]):
        test = fuzzed(name, 1, number)
    atheris.Setup([sys.argv[0], f"-runs={count}", f"-seed={number}", "-max_len=4096"], test.hypothesis.fuzz_one_input)
    atheris.Fuzz()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1_000_000, help="inputs to each target")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--engine", choices=("hypothesis", "atheris"), default="hypothesis")
    parser.add_argument("targets", nargs="*")
    args = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if args.engine == "atheris":
        if len(args.targets) != 1:
            parser.error("atheris takes one target at a time")
        by_atheris(args.targets[0], args.count, args.seed)
    from faults.targets import TARGETS

    for name in args.targets or TARGETS:
        begun = time.monotonic()
        by_hypothesis(name, args.count, args.seed)
        spent = time.monotonic() - begun
        print(f"{name}: {args.count} inputs in {spent:.0f} s, {args.count / spent:.0f} each second", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
