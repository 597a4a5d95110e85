"""A process that writes to a store until it is killed, and says after each commit what is durable.

usage: writing_daemon.py STORE RUN...
"""

import asyncio
import sys

from luggin.daemon.store import Store
from support.stored_runs import header, sweep

BATCH, REPEATED = 40, 25


async def instrument(store: Store, run: str) -> None:
    known = {each.run for each in await store.runs()}
    if run not in known:
        await store.begin_run(header(run, instrument=f"bench-{run}", points=1_000_000))
    # As after a reconnect, the instrument replays from before the last acknowledged point, cut anew.
    first = max(await store.stored_after(run) - REPEATED, 0)
    while True:
        after = await store.put(sweep(run, first, BATCH))
        number = await store.event(run, None, "remark", f"points to {after}")
        sys.stdout.write(f"{run} {after} {number}\n")
        sys.stdout.flush()
        first += BATCH


async def main() -> None:
    async with Store.open(sys.argv[1], interval=0.001, slow_interval=0.001) as store, asyncio.TaskGroup() as group:
        for run in sys.argv[2:]:
            group.create_task(instrument(store, run))


if __name__ == "__main__":
    asyncio.run(main())
