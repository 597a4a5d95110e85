"""A process whose disk fails to sync, once and then for a while, see failing_sync.c.

usage: unsound_disk.py STORE; prints one JSON object as its last line
"""

import asyncio
import json
import os
import sys
from pathlib import Path

from luggin.daemon.store import Store, StoreFault
from support.stored_runs import header, sweep


async def main() -> None:
    once, always = (Path(os.environ[name]) for name in ("SYNC_FAILS_ONCE", "SYNC_FAILS"))
    told: dict[str, object] = {}
    async with Store.open(sys.argv[1], interval=0.005) as store:
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 100))

        once.touch()
        put = store.put(sweep("run-1", 100, 100))
        told["event"] = await store.event("run-1", None, "remark", "written beside a batch that fails", urgent=True)
        told["put"] = str(put.exception())
        told["stored"] = await store.stored_after("run-1")
        told["again"] = await store.put(sweep("run-1", 100, 100))

        always.touch()
        refusals = []
        for write in (store.put(sweep("run-1", 200, 100)), store.event("run-1", None, "remark", "lost", urgent=True)):
            try:
                await write
            except StoreFault as refusal:
                refusals.append(str(refusal))
        told["refusals"] = refusals
        told["state"] = store.state
        told["readable"] = sum(batch.count for batch in await store.points("run-1"))
        always.unlink()
        told["resumed"] = await store.put(sweep("run-1", 150, 150))
        told["state again"] = store.state
    sys.stdout.write("\n" + json.dumps(told))


if __name__ == "__main__":
    asyncio.run(main())
