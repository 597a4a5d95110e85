"""A process that fills its store until there is no room under a limit of file size, then gets more room.

usage: full_disk.py STORE; prints one JSON object
"""

import asyncio
import json
import resource
import sys

import numpy as np

from luggin.daemon.store import Store, StoreFull, writer
from luggin.protocol.points import Batch
from support.stored_runs import header


async def main() -> None:
    writer.RETRY_INTERVAL = 0.05
    told: dict[str, object] = {}
    noise = np.random.default_rng(1).normal(size=2000)
    async with Store.open(sys.argv[1], interval=0.005, reserve=100_000) as store:
        await store.begin_run(header("run-1", columns=["time", "charge"]))
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, resource.RLIM_INFINITY))
        first = 0
        try:
            while first < 1_000_000:
                first = await store.put(Batch("run-1", "boot-1", first, {"time": noise, "charge": noise}))
        except StoreFull as refusal:
            told["sentence"] = str(refusal)
        told["acknowledged"] = first
        told["state"] = store.state
        told["readable"] = sum(batch.count for batch in await store.points("run-1", limit=2_000_000))
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        while True:
            try:
                told["resumed"] = await store.put(Batch("run-1", "boot-1", first, {"time": noise, "charge": noise}))
                break
            except StoreFull:
                await store.changed(store.serial)
        told["state again"] = store.state
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    asyncio.run(main())
