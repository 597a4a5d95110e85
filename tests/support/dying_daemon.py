"""A process with one instrument of the daemon, which starts a run, says its id, and goes on until it is killed.

usage: dying_daemon.py FOLDER HOST PORT METHOD
"""

import asyncio
import json
import sys
from pathlib import Path

from luggin.drivers.link_drivers import TcpDriver
from support.attended import attended


async def main(folder: str, host: str, port: str, method: str) -> None:
    driver = TcpDriver.parse({"host": host, "port": int(port)})
    async with attended(Path(folder), driver) as bench:
        await bench.ready()
        run = await bench.start(json.loads(method))
        while await bench.store.stored_after(run) < 100:
            await bench.store.changed(bench.store.serial)
        sys.stdout.write(f"run {run}\n")
        sys.stdout.flush()
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
