"""How fast points go from the store through mosquitto to a subscriber, and what a broker that hangs costs in memory.

Nine columns a point.  First everything at once, as after a day without a broker, and then live at 50 000 points/s.
Last the broker is stopped while points go on: memory must not follow.
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

import psutil

from bench.rows import Row
from luggin.daemon.board import Board
from luggin.daemon.broker import EmbeddedBroker
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


def _status(online: bool) -> NodeStatus:
    return NodeStatus(node=NODE, online=online, software="0")


@asynccontextmanager
async def _publishing(store: Store, broker: EmbeddedBroker) -> AsyncIterator[None]:
    intake = Intake(Desk(NODE, {}, Questions(store, 128 * 1024)), [])
    connection = Connection(NODE, _status, board=Board(), store=store, intake=intake, endpoint=broker.endpoint)
    task = asyncio.create_task(connection.run())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait([task])


async def _store_live(store: Store, run: str, count: int, rate: float) -> None:
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


def _memory() -> float:
    return float(psutil.Process().memory_info().rss) / 1e6


async def _measure(count: int, folder: Path) -> list[Row]:
    async with Store.open(folder / "runs.sqlite") as store, embedded(folder, "mosquitto") as broker:
        counter = await asyncio.create_subprocess_exec(
            sys.executable, "-c", _COUNTING, str(folder / "bench.broker.json"), stdout=asyncio.subprocess.PIPE
        )
        assert counter.stdout is not None
        await counter.stdout.readline()

        async def published(run: str) -> int:
            while run not in (counts := json.loads(await counter.stdout.readline())):  # type: ignore[union-attr]
                pass
            return int(counts[run])

        await _store_live(store, "backlog", count, float("inf"))
        begun, busy = time.perf_counter(), time.process_time()
        async with _publishing(store, broker):
            assert await published("backlog") == count
            took, used = time.perf_counter() - begun, time.process_time() - busy
            remark = f"{used / count * 1e6:.2f} us of the daemon a point"
            rows = [Row("publisher: a backlog", count / took, "points/s", remark)]

            await asyncio.sleep(0.5)
            begun, busy = time.perf_counter(), time.process_time()
            await _store_live(store, "live", count, 50_000)
            assert await published("live") == count
            took, used = time.perf_counter() - begun, time.process_time() - busy
            rows.append(Row("publisher: 50 000 points/s live", 100 * used / took, "% core"))

            before = _memory()
            assert broker.process is not None
            os.kill(broker.process.pid, signal.SIGSTOP)
            await _store_live(store, "hanging", count, 50_000)
            rows.append(Row("publisher: growth while a broker hangs", _memory() - before, "MB", f"{count} points"))
            os.kill(broker.process.pid, signal.SIGCONT)
            assert await published("hanging") == count
        counter.kill()
        await counter.wait()
    return rows


def measure(quick: bool) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(_measure(20_000 if quick else 500_000, Path(folder)))
