"""Fifty daemons with an instrument each at one broker: nothing is lost.  All of them live in this process."""

import asyncio
import json
import sys
import time
from collections import defaultdict
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import psutil
import pytest

from luggin.daemon import config, places, service
from luggin.daemon.acl import Part
from luggin.daemon.broker_files import find_mosquitto
from luggin.daemon.ending import Ending
from luggin.daemon.mqtt.remote import nodes_of
from luggin.daemon.store import Store
from luggin.protocol import topics
from support.brokers import Client, client_of
from support.guarded import Guarded, guarded
from support.road import REFERENCE

NODES = [f"bench-{number:02}" for number in range(50)]
POINTS = 400
METHOD: dict[str, Any] = {
    "version": 1,
    "name": "hold",
    "technique": "chronoamperometry",
    "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
    "phases": [{"phase": "measure", "potential": "0.1 V", "duration": "20 s", "period": "50 ms"}],
}
pytestmark = [
    pytest.mark.long,
    pytest.mark.timeout(300),
    pytest.mark.skipif(find_mosquitto() is None, reason="needs mosquitto"),
]


@asynccontextmanager
async def daemon(node: str, broker: Guarded, folder: Path) -> AsyncIterator[None]:
    settings = config.parse(
        {
            "node": {"name": node, "runtime": str(folder / "run")},
            "store": {"path": str(folder / f"{node}.sqlite")},
            "broker": {
                "url": broker.url.replace("//", f"//{node}@"),
                "password_file": str(broker.password_file(node)),
                "acl": True,
            },
            "instruments": {"left": {"driver": "sim", "cell": "dummy-r-rc", "reference": REFERENCE}},
        },
        folder,
    )
    ending = Ending()
    async with Store.open(settings.store.path) as store:
        task = asyncio.create_task(service._Daemon(settings, settings.node.runtime, store, ending).run())
        try:
            yield
        finally:
            ending.ask()
            assert await task, "a cell was not confirmed off"


class Everything:
    """What one listener has of all nodes."""

    def __init__(self, client: Client) -> None:
        self._client, self._seen = client, 0
        self.states: dict[str, dict[str, Any]] = {}
        self.spans: dict[str, list[tuple[int, int]]] = defaultdict(list)
        self.results: dict[str, dict[str, Any]] = {}

    async def until(self, predicate: Callable[[], bool]) -> None:
        while not predicate():
            fresh = self._client.received[self._seen :]
            self._seen += len(fresh)
            for each in fresh:
                self._take(each.topic.split("/")[1], each.kind, json.loads(each.payload))
            await asyncio.sleep(0.05)

    def _take(self, node: str, kind: str, told: dict[str, Any]) -> None:
        if kind == "state":
            self.states[node] = told
        elif kind == "points":
            self.spans[node].append((told["first"], told["first"] + told["count"]))
        elif kind == "result":
            self.results[node] = told


async def test_fifty_nodes_lose_nothing(tmp_path: Path) -> None:
    parts: dict[str, Part] = {**dict.fromkeys(NODES, "daemon"), "ada": "operate"}
    places.private(tmp_path / "run")
    async with (
        guarded(tmp_path / "broker", parts) as broker,
        client_of(broker.access("ada"), f"{topics.ROOT}/#", name="listener") as client,
        AsyncExitStack() as stack,
    ):
        process = psutil.Process()
        before = process.memory_info().rss
        for node in NODES:
            await stack.enter_async_context(daemon(node, broker, tmp_path))
        heard = Everything(client)

        def ready(node: str) -> bool:
            state = heard.states.get(node, {})
            return (state.get("state"), state.get("cell"), state.get("link")) == ("Idle", "off", "up")

        await heard.until(lambda: all(map(ready, NODES)))
        assert [each.node for each in await nodes_of(broker.access("ada")) if each.online] == NODES
        spent, began = _spent(process), time.monotonic()
        for number, node in enumerate(NODES):
            start = {"request": f"start-{number}", "token": heard.states[node]["token"], "method": METHOD}
            topic = topics.command(node, "left", "ada", "start")
            await client.link.publish(topic, json.dumps(start).encode(), "command")
        await heard.until(lambda: len(heard.results) == len(NODES))
        took, used = time.monotonic() - began, _spent(process) - spent
        for node in NODES:
            result = heard.results[node]
            assert (result["state"], result["points"], result["gaps"]) == ("Complete", POINTS, [])
            assert sorted({k for first, after in heard.spans[node] for k in range(first, after)}) == list(range(POINTS))
        figures = {
            "points per second": round(len(NODES) * POINTS / took),
            "cores": round(used / took, 2),
            "MB per node": round((process.memory_info().rss - before) / len(NODES) / 1e6, 1),
            "MB in all": round(process.memory_info().rss / 1e6),
            "broker MB": _broker(broker),
        }
        sys.stdout.write(f"{figures}\n")
        assert len([each for each in client.received if each.kind == "points"]) > len(NODES)


def _spent(process: psutil.Process) -> float:
    times = process.cpu_times()
    return float(times.user + times.system)


def _broker(broker: Guarded) -> float:
    """MB of the broker; other children, who evaluate, come and go."""
    for each in psutil.Process().children():
        with suppress(psutil.NoSuchProcess):
            if str(broker.folder / "mosquitto.conf") in each.cmdline():
                return float(round(each.memory_info().rss / 1e6, 1))
    raise AssertionError("the broker has gone")
