"""A store of its own with copies of runs that a daemon elsewhere holds, for as long as a command needs it."""

import argparse
import asyncio
import itertools
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from luggin.daemon.cli.source import StoredRun, load
from luggin.daemon.store import Store
from luggin.protocol.points import COLUMNS, batch

_AT_ONCE = 20_000


@contextmanager
def copied(args: argparse.Namespace, names: list[str]) -> Iterator[Path]:
    """The path of a store that holds the named runs.

    Points, header, events and result are the daemon's; the hash chain over the events is this copy's own.
    """
    found = load(args, names)
    with tempfile.TemporaryDirectory(prefix="luggin-") as folder:
        path = Path(folder) / "runs.sqlite"
        asyncio.run(_write(path, found))
        yield path


async def _write(path: Path, runs: list[StoredRun]) -> None:
    moment = 0.0
    async with Store.open(path, interval=0.01, slow_interval=0.01, utc=lambda: moment) as store:
        for run in runs:
            await store.begin_run(run.header)
            await _write_points(store, run)
            for event in run.events:
                if event.kind != "gap":  # the copy noted its holes by itself
                    moment = event.utc
                    await store.event(
                        event.run, run.header.instrument, event.kind, event.sentence, event.data, urgent=True
                    )
            if run.result is not None:
                await store.finish_run(run.result)


async def _write_points(store: Store, run: StoredRun) -> None:
    import numpy as np

    index = run.columns.get("index", np.empty(0, dtype=np.int64))
    edges = [0, *(np.flatnonzero(np.diff(index) != 1) + 1).tolist(), len(index)]
    for start, stop in itertools.pairwise(edges):
        for low in range(start, stop, _AT_ONCE):
            high = min(low + _AT_ONCE, stop)
            part = {name: values[low:high] for name, values in run.columns.items() if name in COLUMNS}
            await store.put(batch(run.header.run, run.header.boot, int(index[low]), part))
