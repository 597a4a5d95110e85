"""How long commands and the daemon take to start, and how large the daemon is then.

`luggin --help`, `luggin serve` until systemd would be told READY, and until the broker (mosquitto) has its status; the
daemon once with a simulated instrument in its own process.  Medians.
"""

import asyncio
import json
import socket
import statistics
import tempfile
import time
from pathlib import Path

import psutil

from bench.rows import Row
from support.road import REFERENCE, free_port, line, walked

SIMULATED = {"driver": "sim", "cell": "redox-probe", "reference": REFERENCE}


async def _help(times: int) -> list[float]:
    taken = []
    with tempfile.TemporaryDirectory() as folder:
        async with walked(Path(folder)) as road:
            for _ in range(times):
                begun = time.monotonic()
                code, _, _ = await road.luggin("--help")
                taken.append(time.monotonic() - begun)
                assert code == 0
    return taken


async def _daemon() -> tuple[float, float, float]:
    """Seconds to READY and to the retained status; resident MB once the instrument is connected."""
    with tempfile.TemporaryDirectory() as folder:
        async with walked(Path(folder)) as road:
            port = free_port()
            await road.broker(port)
            listener = await road.start(
                "mosquitto_sub", "-p", str(port), "-t", "luggin/bench/status", "-t", "luggin/bench/i0/state", "-v"
            )
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as supervisor:
                supervisor.bind(str(Path(folder, "notify")))
                road.environment["NOTIFY_SOCKET"] = str(Path(folder, "notify"))
                begun = time.monotonic()
                told = asyncio.create_task(_told(listener, begun))
                ready = asyncio.create_task(asyncio.to_thread(_ready, supervisor, begun))
                daemon = await road.serve({"i0": SIMULATED}, f"mqtt://127.0.0.1:{port}")
                online = await told
                return await ready, online, psutil.Process(daemon.pid).memory_info().rss / 1e6


async def _told(listener: asyncio.subprocess.Process, begun: float) -> float:
    """When the broker had said that the daemon is online and the instrument connected: seconds to the former."""
    online = 0.0
    while True:
        topic, _, text = (await line(listener)).partition(" ")
        if topic.endswith("/status") and not online:
            online = time.monotonic() - begun
        if topic.endswith("/state") and json.loads(text)["state"] == "Idle" and json.loads(text)["link"] == "up":
            return online


def _ready(supervisor: socket.socket, begun: float) -> float:
    while supervisor.recv(4096) != b"READY=1":
        pass
    return time.monotonic() - begun


async def _measure(times: int) -> list[Row]:
    helps = await _help(times)
    starts = [await _daemon() for _ in range(times)]
    ready, online, memory = (statistics.median(each) for each in zip(*starts, strict=True))
    return [
        Row("luggin --help", 1e3 * statistics.median(helps), "ms", f"{times} times"),
        Row("daemon: READY", 1e3 * ready, "ms", f"{times} times"),
        Row("daemon: status at the broker", 1e3 * online, "ms"),
        Row("daemon with a simulated instrument in it, resident", memory, "MB", "instrument connected, idle"),
    ]


def measure(quick: bool) -> list[Row]:
    return asyncio.run(_measure(1 if quick else 7))
