"""A laboratory in one daemon: several simulated instruments, and one client that lets them all work at once."""

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from luggin.daemon import endpoint
from luggin.daemon.export import read_package
from luggin.daemon.mqtt.remote import Remote, open_remote
from luggin.protocol import document
from luggin.protocol.payloads import Reply, RunResult
from support.road import REFERENCE, Road, walked

Columns = dict[str, NDArray[Any]]
NODE = "bench"
METHOD = """
version = 1
name = "theory"
technique = "{technique}"

[setup]
reference = "{reference}"

{before}

[[phases]]
phase = "measure"
{measure}

{after}
"""


def written(technique: str, measure: str, before: str = "", after: str = "") -> str:
    """The text of a method."""
    return METHOD.format(technique=technique, reference=REFERENCE, measure=measure, before=before, after=after)


class Laboratory:
    def __init__(self, road: Road, remote: Remote) -> None:
        self.road, self._remote = road, remote
        self.results: dict[str, RunResult] = {}
        """What became of each run, by the name under which it was asked for."""

    async def start(self, instrument: str, method: str) -> Reply:
        """The daemon's answer to a request to start this method."""
        while True:
            while (state := await self._remote.state(instrument)).state != "Idle" or state.link != "up":
                await self._remote.changed()
            reply = await self._remote.ask(instrument, "start", token=state.token, method=document.read(method))
            if reply.accepted or reply.problems or "token" not in reply.sentence:
                return reply
            await self._remote.changed()  # the state that was read was about to end

    async def measure(self, work: Mapping[str, tuple[str, str]]) -> dict[str, Columns]:
        """Carry out methods: `work` maps a name to an instrument and a method.  Instruments work at the same time, and
        each does its methods in order.  Returns the columns of the exported tables by name."""
        queues: dict[str, list[tuple[str, str]]] = {}
        for name, (instrument, method) in work.items():
            queues.setdefault(instrument, []).append((name, method))
        async with asyncio.TaskGroup() as group:
            jobs = [group.create_task(self._in_order(instrument, queue)) for instrument, queue in queues.items()]
        runs = {name: run for job in jobs for name, run in job.result().items()}
        return await self._exported(runs)

    async def _in_order(self, instrument: str, queue: Sequence[tuple[str, str]]) -> dict[str, str]:
        runs = {}
        for name, method in queue:
            results: asyncio.Queue[RunResult] = asyncio.Queue()

            def take(topic: str, payload: bytes, results: asyncio.Queue[RunResult] = results) -> None:
                if topic.split("/")[2] == instrument and topic.endswith("/result"):
                    results.put_nowait(RunResult.model_validate_json(payload))

            async with self._remote.watching(take):
                reply = await self.start(instrument, method)
                assert reply.accepted, f"{name}: {reply.sentence} {reply.problems}"
                while (result := await results.get()).run != reply.run:
                    pass
            self.results[name] = result
            assert result.state == "Complete", f"{name}: {result}"
            runs[name] = result.run
        return runs

    async def _exported(self, runs: Mapping[str, str]) -> dict[str, Columns]:
        folder = self.road.folder / f"data-{len(self.results)}"
        code, _, err = await self.road.luggin(
            "export", *runs.values(), "-o", str(folder), "--store", str(self.road.store)
        )
        assert code == 0, err
        package = read_package(folder)
        return {name: package[run][1] for name, run in runs.items()}


@asynccontextmanager
async def opened(folder: Path, instruments: Mapping[str, Mapping[str, Any]]) -> AsyncIterator[Laboratory]:
    """A daemon with these simulated instruments; `instruments` maps names to settings beyond the usual ones."""
    usual = {"driver": "sim", "reference": REFERENCE, "speed": 1000}
    async with walked(folder) as road:
        await road.serve({name: {**usual, **settings} for name, settings in instruments.items()})
        while not (brokers := list((folder / "runtime").rglob(f"{NODE}.broker.json"))):
            await road.until(next(iter(instruments)), link="up")
        async with open_remote(endpoint.read(brokers[0]), NODE) as remote:
            yield Laboratory(road, remote)


def at(columns: Columns, name: str) -> NDArray[np.float64]:
    """One column in double precision."""
    return columns[name].astype(np.float64)
