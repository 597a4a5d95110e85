"""How fast points go from the store through a broker to a subscriber, and what a broker that hangs costs in memory.

Run it by hand: `python tests/bench/publisher.py [mosquitto|iotcore] [points]`.  Nine columns a point.  First everything
at once, as after a day without a broker, and then live at 50 000 points/s.  Last the broker is stopped while points
go on: memory must not follow.  The subscriber is a process of its own that counts points.
"""

import asyncio
import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import cast

import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from luggin.daemon.board import Board
from luggin.daemon.broker import EmbeddedBroker
from luggin.daemon.broker_files import Kind
from luggin.daemon.desk import Desk
from luggin.daemon.mqtt.connection import Connection
from luggin.daemon.mqtt.intake import Intake
from luggin.daemon.questions import Questions
from luggin.daemon.store import Store
from luggin.protocol.payloads import NodeStatus
from support.brokers import embedded
from support.runs import NODE
from support.stored_runs import header, result, sweep

_COUNTING = """
import asyncio, json, sys
from luggin.daemon import endpoint
from luggin.daemon.mqtt.client import connect
from pathlib import Path
async def main():
    counts = {}
    def receive(topic, payload, kept):
        if topic.endswith("/points"):
            batch = json.loads(payload)
            counts[batch["run"]] = counts.get(batch["run"], 0) + batch["count"]
        if topic.endswith("/result"):
            print(json.dumps(counts), flush=True)
    async with connect(endpoint.read(Path(sys.argv[1])), "counter", None, receive) as link:
        await link.subscribe("luggin/#")
        print("ready", flush=True)
        await link.lost()
asyncio.run(main())
"""


def status(online: bool) -> NodeStatus:
    return NodeStatus(node=NODE, online=online, software="0")


@asynccontextmanager
async def publishing(store: Store, broker: EmbeddedBroker) -> AsyncIterator[None]:
    intake = Intake(Desk(NODE, {}, Questions(store, 128 * 1024)), [])
    connection = Connection(NODE, status, board=Board(), store=store, intake=intake, endpoint=broker.endpoint)
    task = asyncio.create_task(connection.run())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait([task])


async def store_live(store: Store, run: str, count: int, rate: float) -> None:
    """Batches each 50 ms, at a steady rate; infinite rate means at once."""
    await store.begin_run(header(run, points=count))
    step, clock = 2500, time.perf_counter
    start, last = clock(), None
    for first in range(0, count, step):
        await asyncio.sleep(max(0.0, start + first / rate - clock()))
        last = store.put(sweep(run, first, min(step, count - first)))
    assert last is not None
    await last
    await store.finish_run(result(run, count))


def memory() -> float:
    return float(psutil.Process().memory_info().rss) / 1e6


async def measure(kind: Kind, count: int, folder: Path) -> None:
    async with (
        Store.open(folder / "runs.sqlite") as store,
        embedded(folder, kind) as broker,
    ):
        counter = await asyncio.create_subprocess_exec(
            sys.executable, "-c", _COUNTING, str(folder / "bench.broker.json"), stdout=asyncio.subprocess.PIPE
        )
        assert counter.stdout is not None
        await counter.stdout.readline()

        await store_live(store, "backlog", count, float("inf"))
        began, busy = time.perf_counter(), time.process_time()
        async with publishing(store, broker):
            got = json.loads(await counter.stdout.readline())
            took, used = time.perf_counter() - began, time.process_time() - busy
            print(f"backlog: {got['backlog'] / took:,.0f} points/s, {used / count * 1e6:.2f} us of processor a point")

            await asyncio.sleep(0.5)
            began, busy = time.perf_counter(), time.process_time()
            await store_live(store, "live", count, 50_000)
            got = json.loads(await counter.stdout.readline())
            took, used = time.perf_counter() - began, time.process_time() - busy
            print(f"live: {got['live']} points of {count} in {took:.2f} s, {100 * used / took:.0f} % of one core")

            before = memory()
            assert broker.process is not None
            os.kill(broker.process.pid, signal.SIGSTOP)
            await store_live(store, "hanging", count, 50_000)
            print(f"broker hangs: memory {before:.0f} MB before, {memory():.0f} MB after {count} points")
            os.kill(broker.process.pid, signal.SIGCONT)
            got = json.loads(await counter.stdout.readline())
            print(f"afterwards: {got['hanging']} points of {count}")
        counter.kill()
        await counter.wait()


if __name__ == "__main__":
    kind = cast(Kind, sys.argv[1] if len(sys.argv) > 1 else "mosquitto")
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(measure(kind, int(sys.argv[2]) if len(sys.argv) > 2 else 500_000, Path(folder)))
