"""Deleting, restoring, purging and taking over stored runs, by whoever has the store open."""

import asyncio
from pathlib import Path

from luggin.daemon.store import Store, open_store
from luggin.protocol.payloads import Command, DeleteRun, ImportRuns, PurgeRun, RestoreRun


async def keep_house(store: Store, order: Command, by: str) -> str:
    """Carry out one of these orders; returns the sentence that says so.  Raises StoreError."""
    match order:
        case DeleteRun():
            await store.delete_run(order.run, by, order.reason)
            return f"Run {order.run} is deleted; `luggin restore {order.run}` brings it back."
        case RestoreRun():
            await store.restore_run(order.run, by)
            return f"Run {order.run} is restored."
        case PurgeRun():
            await store.purge_run(order.run, by)
            return f"Run {order.run} is gone; the node's log keeps its hashes."
        case ImportRuns():
            return await _take_over(store, Path(order.path), by)
    raise TypeError(f"no such order: {order!r}")


async def _take_over(store: Store, source: Path, by: str) -> str:
    def names() -> list[str]:
        with open_store(source) as archive:
            return archive.names()

    runs = await asyncio.to_thread(names)
    news = [run for run in runs if await store.take_over(source, run, by)]
    known = len(runs) - len(news)
    told = f"{_counted(len(news))} imported"
    return f"{told}, {_counted(known)} here already." if known else f"{told}."


def _counted(runs: int) -> str:
    return f"{runs} run was" if runs == 1 else f"{runs} runs were"
