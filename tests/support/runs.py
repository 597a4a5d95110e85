"""Whole runs in a store, as an instrument would bring them."""

from luggin.daemon.store import Store
from support.stored_runs import header, result, sweep

NODE, INSTRUMENT = "column-lab", "bench-1"


async def store_run(store: Store, run: str, count: int, *, finish: bool = True) -> None:
    """A run with `count` points and one event, in batches of 500."""
    await store.begin_run(header(run, points=count))
    futures = [store.put(sweep(run, first, min(500, count - first))) for first in range(0, count, 500)]
    await store.event(run, INSTRUMENT, "remark", "half way", urgent=True)
    for future in futures:
        await future
    if finish:
        await store.finish_run(result(run, count))
