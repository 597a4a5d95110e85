"""Print how well and how fast peaks are found: python tests/bench/peak_detection.py [seed] [curves of each family]."""

import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from luggin.daemon.analysis.pairing import analyse_cyclic
from luggin.daemon.analysis.peaks import detect
from support.peak_truth import score, sech_squared, table

POINTS = 1_000_000


def million(cycles: int) -> str:
    """Time and memory of one run of a million points in so many cycles; 0 is a single sweep."""
    rng = np.random.default_rng(0)
    legs = max(2 * cycles, 1)
    leg = np.linspace(-0.2, 0.8, POINTS // legs)
    bell = sech_squared(leg, 0.3, 1.0, 0.1) + 0.3 * leg
    e = np.concatenate([leg if k % 2 == 0 else leg[::-1] for k in range(legs)])
    i = np.concatenate([bell if k % 2 == 0 else -bell[::-1] for k in range(legs)])
    i += 0.01 * rng.standard_normal(e.size)
    t = 1e-3 * np.arange(e.size)
    begin = time.perf_counter()
    if cycles == 0:
        found = len(detect(e, i, time=t).peaks)
    else:
        found = len(analyse_cyclic(e, i, time=t, cycle=np.arange(e.size) * cycles // e.size).pairs)
    elapsed = time.perf_counter() - begin
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return f"| {cycles or 'one sweep'} | {found} | {elapsed:.2f} | {memory:.0f} |"


def main() -> None:
    seed, curves = (int(a) for a in [*sys.argv[1:], "20240", "300"][:2])
    print(f"seed {seed}, {curves} curves of each family\n\n{table(score(seed, curves))}\n")
    print(
        "| cycles in a million points | peaks or pairs | time, s | peak memory of the process, MB |\n|---|---|---|---|"
    )
    for cycles in (0, 1, 10, 100, 1000):
        print(million(cycles))


if __name__ == "__main__":
    main()
