"""The daemon in a process of its own, between instruments that stream and a broker with a subscriber."""

import asyncio
import json
import sys
import tempfile
import uuid
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import psutil

from support import streaming, subscriber
from support.road import REFERENCE, Road, free_port, line, walked

CONFIRMED_WITHIN = 60.0


def method(points: int, period: float) -> dict[str, Any]:
    """A hold of so many points, one each `period` s."""
    return {
        "version": 1,
        "name": "paracetamol-hold",
        "technique": "chronoamperometry",
        "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
        "phases": [{"phase": "measure", "potential": 0.1, "duration": points * period, "period": period}],
        "limits": {"potential": {"low": -1.5, "high": 1.5, "hard_low": -2.0, "hard_high": 2.0}},
    }


class Loaded:
    """`instruments` are named i0, i1 ...; `lines` tells what happened on their lines, `heard` what was subscribed."""

    def __init__(
        self, road: Road, daemon: Process, lines: Process, heard: Process, port: int, names: list[str]
    ) -> None:
        self.road, self.daemon, self.lines, self.heard, self.port, self.names = road, daemon, lines, heard, port, names

    @property
    def process(self) -> psutil.Process:
        return psutil.Process(self.daemon.pid)

    @property
    def memory(self) -> float:
        """Resident memory of the daemon in MB."""
        return float(self.process.memory_info().rss) / 1e6

    async def order(self, name: str, verb: str, **more: Any) -> dict[str, Any]:
        """Tell an instrument something that it accepts."""
        command = {"request": uuid.uuid4().hex, **more}
        reply = await self.road.ask({"instrument": name, "verb": verb, "command": command})
        assert reply["accepted"], reply["sentence"]
        return reply

    async def until(self, name: str, **wanted: str | None) -> dict[str, Any]:
        async with asyncio.timeout(CONFIRMED_WITHIN):
            return await self.road.until(name, **wanted)

    async def start(self, name: str, points: int, period: float) -> str:
        """Start a hold; its run."""
        state = await self.until(name, state="Idle", cell="off", link="up")
        return str((await self.order(name, "start", token=state["token"], method=method(points, period)))["run"])

    async def happened(self, event: str, **wanted: Any) -> dict[str, Any]:
        """The next thing of this kind on the lines."""
        while True:
            told: dict[str, Any] = json.loads(await line(self.lines))
            if told["event"] == event and all(told[key] == value for key, value in wanted.items()):
                return told

    async def came(self, run: str, points: int) -> list[tuple[float, int, int]]:
        """(time, first, count) of each message of points of a run, once all of them have come."""
        while True:
            told = json.loads(await line(self.heard)).get(run, {"points": 0})
            if told["points"] >= points:
                return [(float(at), first, count) for at, first, count in told["messages"]]


@asynccontextmanager
async def loaded(
    instruments: int = 1, every: float = 0.05, tripping: int | None = None, kept: Path | None = None
) -> AsyncIterator[Loaded]:
    """`every`: seconds after which an instrument sends points that don't fill a frame; `tripping`: the index of a point
    beyond the limits; `kept`: where the subscriber keeps payloads."""
    with tempfile.TemporaryDirectory() as folder:
        async with walked(Path(folder)) as road:
            road.environment["PYTHONPATH"] = ":".join(sys.path)
            port = free_port()
            await road.broker(port)
            trip = [] if tripping is None else [str(tripping)]
            lines = await asyncio.create_subprocess_exec(
                sys.executable, streaming.__file__, str(instruments), str(every), *trip,
                stdin=PIPE, stdout=PIPE, env=road.environment, limit=2**26,
            )  # fmt: skip
            heard = await listen(road, port, "luggin/bench/+/run/#", *([] if kept is None else [str(kept)]))
            try:
                ports = json.loads(await line(lines))
                names = [f"i{number}" for number in range(instruments)]
                settings = {
                    name: {"driver": "serial", "port": port, "reference": REFERENCE}
                    for name, port in zip(names, ports, strict=True)
                }
                daemon = await road.serve(settings, f"mqtt://127.0.0.1:{port}")
                yield Loaded(road, daemon, lines, heard, port, names)
            finally:
                lines.kill()
                await lines.communicate()


async def listen(road: Road, port: int, topic: str, *file: str) -> Process:
    """A subscriber that is ready."""
    heard = await road.start(sys.executable, subscriber.__file__, str(port), topic, *file)
    assert await line(heard) == "ready\n"
    return heard
