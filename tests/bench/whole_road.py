"""Points per second from a serial line to the store and through the broker to a subscriber.

The instrument is one on paper, in a process of its own, that sends its points as fast as the line takes them: a
simulated cell would be the limit.  The line is a pseudo-terminal, the broker is mosquitto, the daemon is a process with
its usual intervals.  Beside it, on the same machine: the same payloads published straight through the same broker, the
same numbers inserted straight into SQLite, and the script that one would write by hand.
"""

import asyncio
import json
import os
import pty
import sqlite3
import sys
import tempfile
import time
import tty
from contextlib import closing
from pathlib import Path

import aiomqtt

from bench import by_hand
from bench.harness import Loaded, listen, loaded
from bench.rows import Row
from support.road import line


async def _through(bench: Loaded, points: int) -> tuple[float, float]:
    """Seconds from the first byte of the points until all are known to be durable, and until all have come."""
    run = await bench.start("i0", points, 1e-6)
    durable, came = await asyncio.gather(bench.happened("durable", run=run), bench.came(run, points))
    begun = durable["frames"][0][0]
    return durable["at"] - begun, came[-1][0] - begun


async def _straight(bench: Loaded, payloads: list[bytes], points: int) -> float:
    """Seconds for the same payloads, published with QoS 1."""
    heard = await listen(bench.road, bench.port, "straight/#")
    async with aiomqtt.Client("127.0.0.1", bench.port) as client:
        client.pending_calls_threshold = len(payloads) + 10
        begun = time.monotonic()
        for start in range(0, len(payloads), 20):
            await asyncio.gather(*(client.publish("straight/points", each, 1) for each in payloads[start : start + 20]))
        await client.publish("straight/end", b"", 1)
    told = json.loads(await line(heard))
    ((_, each),) = told.items()
    assert each["points"] == points
    return float(each["messages"][-1][0]) - begun


def _inserted(folder: Path, payloads: list[bytes]) -> float:
    """Seconds for one row a point, a transaction for each payload, WAL and `synchronous` as the daemon has them."""
    batches = [json.loads(each)["columns"] for each in payloads]
    names = list(batches[0])
    with closing(sqlite3.connect(folder / "straight.sqlite", isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        database.execute(f"CREATE TABLE points ({', '.join(names)})")
        insert = f"INSERT INTO points VALUES ({', '.join('?' * len(names))})"
        begun = time.monotonic()
        for columns in batches:
            database.execute("BEGIN")
            database.executemany(insert, zip(*columns.values(), strict=True))
            database.execute("COMMIT")
        return time.monotonic() - begun


async def _by_hand(bench: Loaded, points: int) -> float:
    """Seconds from the first line of text, which this process sends, until all points of the script have come."""
    path = bench.road.folder / "by-hand.csv"
    heard = await listen(bench.road, bench.port, "hand/#")
    master, slave = pty.openpty()
    tty.setraw(slave)
    where = (os.ttyname(slave), str(bench.port), str(path), str(points))
    script = await bench.road.start(sys.executable, by_hand.__file__, *where)
    assert await line(script) == "ready\n"
    begun = time.monotonic()
    await asyncio.to_thread(_send_text, master, points)
    ((_, each),) = json.loads(await line(heard)).items()
    await script.wait()
    os.close(master)
    os.close(slave)
    assert each["points"] == len(path.read_text().splitlines()) == points
    return float(each["messages"][-1][0]) - begun


def _send_text(master: int, points: int) -> None:
    for number in range(points):
        text = b"%.6f,%.6f,%.6e\n" % (number * 1e-3, 0.1 + number * 1e-6, 1e-6)
        while text:
            text = text[os.write(master, text) :]


async def _measure(points: int, by_hand_points: int) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder, "payloads")
        async with loaded(kept=kept) as bench:
            durable, came = await _through(bench, points)
            payloads = await asyncio.to_thread(lambda: kept.read_bytes().splitlines())
            straight = await _straight(bench, payloads, points)
            inserted = _inserted(Path(folder), payloads)
            hand = await _by_hand(bench, by_hand_points)
    columns = len(json.loads(payloads[0])["columns"])
    size = sum(map(len, payloads)) / points
    return [
        Row("serial line to store, durable", points / durable, "points/s", f"{points} points of {columns} columns"),
        Row("serial line to subscriber", points / came, "points/s", "through mosquitto, QoS 1"),
        Row("the same payloads straight through the broker", points / straight, "points/s", f"{size:.0f} bytes/point"),
        Row("straight into SQLite", points / inserted, "points/s", "a row a point, a commit each payload"),
        Row("a script by hand", by_hand_points / hand, "points/s", f"{by_hand_points} points; pyserial, csv, paho"),
        Row("subscriber, daemon : straight", straight / came, "", "of the points/s"),
        Row("subscriber, daemon : by hand", points / came / (by_hand_points / hand), "", "of the points/s"),
    ]


def measure(quick: bool) -> list[Row]:
    return asyncio.run(_measure(20_000, 2_000) if quick else _measure(1_000_000, 30_000))
