"""How long a run of a million points takes to be evaluated, drawn and reported, and how much memory.

    python tests/bench/long_run.py

Each figure is that of a process of its own, imports and reading of the store included.
"""

import asyncio
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

CASES = {
    "100 cycles": ("cyclic-voltammetry", "peaks"),
    "1 cycle": ("cyclic-voltammetry", "peaks"),
    "one step": ("chronoamperometry", "levels"),
}


async def fill(path: Path) -> None:
    import numpy as np

    from luggin.daemon.store import Store
    from support.voltammograms import columns, cyclic_columns, store_voltammogram

    time_of = np.arange(1, 1_000_001) * 0.01
    noise = 1e-9 * np.random.default_rng(1).normal(size=time_of.size)
    made = (
        cyclic_columns(100, 5001),
        cyclic_columns(1, 500_001),
        columns(np.full(time_of.size, 0.5), 1e-6 / np.sqrt(time_of) + noise),
    )
    async with Store.open(path) as store:
        for number, (one, (technique, _)) in enumerate(zip(made, CASES.values(), strict=True)):
            await store_voltammogram(store, f"run-{number}", technique, one)


def one(what: str, kind: str, run: str, store: str, folder: str) -> None:
    began = time.perf_counter()
    if what == "fill":  # not in the parent: a child's memory counts from what its parent had
        asyncio.run(fill(Path(store)))
    elif what == "evaluate":
        from luggin.daemon.evaluation.functions import evaluate
        from luggin.daemon.evaluation.run_data import load_runs
        from luggin.daemon.store import open_store

        with open_store(store) as archive:
            evaluate(kind, load_runs(archive, [run]))
    else:
        from luggin.daemon.cli.main import main

        command, suffix = ("report", "html") if what == "report" else ("plot", what)
        main([command, run, "--store", store, "-o", f"{folder}/{run}.{suffix}"])
    used = resource.getrusage(resource.RUSAGE_SELF)
    wall, processor = time.perf_counter() - began, used.ru_utime + used.ru_stime
    print(f"{wall:5.2f} s, {processor:5.2f} s of processor, {used.ru_maxrss / 1024:4.0f} MB")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = f"{folder}/runs.sqlite"
        subprocess.run([sys.executable, __file__, "fill", "", "", store, folder], check=True, capture_output=True)
        for number, (name, (_, kind)) in enumerate(CASES.items()):
            for what in ("evaluate", "png", "svg", "pdf", "report"):
                arguments = [sys.executable, __file__, what, kind, f"run-{number}", store, folder]
                said = subprocess.run(arguments, check=True, capture_output=True, text=True).stdout
                print(f"{name:12} {what:10} {said.splitlines()[-1]}")


if __name__ == "__main__":
    one(*sys.argv[1:]) if len(sys.argv) > 1 else main()
