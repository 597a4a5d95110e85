"""Many scenarios, each one a function of its seed, and a table of what became of every point and every cell.

    python tests/faults/run.py --count 1000 --seed 7 -o table.json

A share of them goes through real processes, the others through a laboratory within a loop.  One scenario again:
`--count 1 --seed N --first K` with the numbers that are printed for what went wrong.  Exit code 1 when anything did.
"""

import argparse
import asyncio
import json
import logging
import sys
import tempfile
import time
from dataclasses import asdict
from pathlib import Path
from random import Random

import structlog

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults import play, table, town
from faults.account import Account
from faults.scenario import scenario

SPAN = 1_000_000
"""Seeds of scenarios that belong to one seed of the whole."""
_MEMORY = Path("/dev/shm")


def one(seed: int, share: float) -> Account:
    """The scenario of this seed; `share` of all are played by processes."""
    random = Random(f"who plays {seed}")
    if random.random() >= share:
        return play.play(scenario(seed), _MEMORY if _MEMORY.is_dir() else None)
    kind = town.KINDS[random.choice(list(town.KINDS))]
    technique = scenario(seed).technique
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(town.play(kind, seed, Path(folder), technique))


def guarded(seed: int, share: float) -> Account:
    """Whatever is raised counts as wrong: the others go on."""
    try:
        return one(seed, share)
    except Exception as error:
        return Account("raised", seed, cell="unknown", wrong=[f"{type(error).__name__}: {error}"])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--first", type=int, default=0, help="number of the first scenario")
    parser.add_argument("--processes", type=float, default=0.1, help="share that is played by real processes")
    parser.add_argument("-o", "--output", type=Path, help="a JSON file for rows and accounts")
    args = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    accounts: list[Account] = []
    begun = time.monotonic()
    for number in range(args.first, args.first + args.count):
        account = guarded(args.seed * SPAN + number, args.processes)
        accounts.append(account)
        for sentence in account.wrong:
            print(f"--seed {args.seed} --first {number}: {account.kind}: {sentence}", flush=True)
        if (done := len(accounts)) % 50 == 0:
            print(f"{done} of {args.count} after {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    made = table.rows(accounts)
    print(table.text(made))
    if args.output:
        args.output.write_text(json.dumps({"rows": made, "accounts": [asdict(each) for each in accounts]}, indent=1))
    return int(any(each.wrong for each in accounts))


if __name__ == "__main__":
    sys.exit(main())
