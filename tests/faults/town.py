"""Scenarios with real processes: `luggin simulate` on a pseudo-terminal, `luggin serve`, mosquitto, a subscriber.

What is expected is more than with a laboratory within a loop: the instrument keeps everything, so nothing may be
missing at all, whatever happens to daemon, broker, disk and clock.
"""

import asyncio
import itertools
import json
import resource
import signal
from asyncio.subprocess import Process
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from faults.account import Account, settle
from faults.choice import cell_of, draw, duration_of
from faults.paper_broker import Message
from faults.truth import Truth
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import ConnectionLost
from luggin.protocol import topics
from luggin.protocol.points import COLUMNS, Batch
from support.brokers import Client, client_of
from support.preloads import preload
from support.road import LUGGIN, Road, free_port, serial

NODE, INSTRUMENT = "bench", "left"
_LOOK_AGAIN = 0.05
_LASTS = 4.0
_PATIENCE = 60.0
_DEAD_MAN = 10.0
_NO_LIMIT = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)


@dataclass
class Town:
    road: Road
    stack: AsyncExitStack
    port: int = field(default_factory=free_port)
    requests: Any = field(default_factory=lambda: itertools.count(1))
    orders: int = 0
    heard: list[Message] = field(default_factory=list)
    daemon: Process = field(init=False)
    broker: Process = field(init=False)
    simulator: Process = field(init=False)
    subscriber: Client = field(init=False)

    @property
    def folder(self) -> Path:
        return self.road.folder

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    async def start(self, cell: str, *settings: str) -> None:
        self.broker, self.simulator = await asyncio.gather(
            self.road.broker(self.port), self.road.simulate(INSTRUMENT, cell, *settings)
        )
        await self.listen()
        await self.serve()

    async def listen(self) -> None:
        endpoint = Endpoint("127.0.0.1", self.port)
        self.subscriber = await self.stack.enter_async_context(client_of(endpoint, f"luggin/{NODE}/#"))

    async def serve(self) -> None:
        libraries = [preload(self.folder, name) for name in ("failing_sync", "wrong_clock")]
        self.daemon = await self.road.serve(
            {INSTRUMENT: serial(self.folder, INSTRUMENT)},
            self.url,
            "env",
            f"LD_PRELOAD={':'.join(map(str, libraries))}",
            f"SYNC_FAILS={self.folder / 'sync-fails'}",
            f"CLOCK_AHEAD={self.folder / 'clock-ahead'}",
        )

    async def kill(self) -> None:
        self.daemon.kill()
        await self.daemon.wait()

    async def order(self, verb: str, where: str = INSTRUMENT, **fields: Any) -> dict[str, Any]:
        self.orders += verb == "start"
        command = {"request": f"request-{next(self.requests)}", **fields}
        return await self.road.ask({"instrument": where, "verb": verb, "command": command})

    async def state(self) -> dict[str, Any]:
        """What the daemon says of its instrument; empty while there is none."""
        try:
            board = (await self.road.ask({"verb": "status"}))["data"]["board"]
        except (OSError, ValueError):
            return {}
        found: dict[str, Any] = board.get(f"luggin/{NODE}/{INSTRUMENT}/state", {})
        return found

    async def until(self, true: Callable[[dict[str, Any]], bool], longest: float = _PATIENCE) -> dict[str, Any]:
        async with asyncio.timeout(longest):
            while not ((state := await self.state()) and true(state)):  # noqa: ASYNC110 - processes do not tell
                await asyncio.sleep(_LOOK_AGAIN)
        return state

    async def ready(self) -> dict[str, Any]:
        """Until a run may start; what somebody has to clear is cleared."""
        async with asyncio.timeout(_PATIENCE):
            while True:
                state = await self.state()
                if state and state["run"] is None and state["link"] == "up" and state["cell"] == "off":
                    if state["state"] == "Idle" and state["token"]:
                        return state
                    if state["state"] == "Aborted":
                        await self.order("clear")
                await asyncio.sleep(_LOOK_AGAIN)

    def truth(self) -> Truth:
        """The simulator's own log."""
        truth = Truth(asyncio.get_running_loop().time)
        for entry in map(json.loads, (self.folder / f"{INSTRUMENT}.points").read_text().splitlines()):
            run = entry["run"]
            if "columns" in entry:
                columns = {
                    name: np.array([np.nan if value is None else value for value in values], COLUMNS[name].dtype)
                    for name, values in entry["columns"].items()
                }
                truth.batches.setdefault(run, []).append(Batch(run, "", entry["first"], columns))
            elif entry["event"] == "relay" and entry["value"] == "on" and run not in truth.starts:
                truth.starts.append(run)
        truth.acknowledged = {run: truth.made(run) for run in truth.batches}
        return truth

    def relay(self) -> str:
        entries = map(json.loads, (self.folder / f"{INSTRUMENT}.points").read_text().splitlines())
        return str([entry["value"] for entry in entries if entry.get("event") == "relay"][-1])


Strike = Callable[[Town, Random], Awaitable[None]]


async def daemon_killed(town: Town, random: Random) -> None:
    for _ in range(random.choice([1, 2, 3])):
        await town.kill()
        await asyncio.sleep(random.choice([0.0, random.uniform(0.0, 1.0)]))
        await town.serve()
        await asyncio.sleep(random.uniform(0.0, 1.0))


async def daemon_suspended(town: Town, random: Random) -> None:
    town.daemon.send_signal(signal.SIGSTOP)
    await asyncio.sleep(random.uniform(0.5, 3.0))
    town.daemon.send_signal(signal.SIGCONT)


async def instrument_suspended(town: Town, random: Random) -> None:
    town.simulator.send_signal(signal.SIGSTOP)
    await asyncio.sleep(random.uniform(0.2, 6.0))
    town.simulator.send_signal(signal.SIGCONT)


async def broker_killed(town: Town, random: Random) -> None:
    town.broker.kill()
    await town.broker.wait()
    with suppress(ConnectionLost):
        await town.subscriber.link.lost()
    await asyncio.sleep(random.uniform(0.0, 1.0))
    town.broker = await town.road.broker(town.port)
    town.heard += heard(town.subscriber)
    await town.listen()


async def sync_fails(town: Town, random: Random) -> None:
    for _ in range(random.randrange(1, 4)):
        (town.folder / "sync-fails").touch()
        await asyncio.sleep(random.uniform(0.0, 1.0))
        (town.folder / "sync-fails").unlink()
        await asyncio.sleep(random.uniform(0.0, 0.5))


async def disk_full(town: Town, random: Random) -> None:
    largest = max(path.stat().st_size for path in town.folder.glob("runs.sqlite*"))
    resource.prlimit(town.daemon.pid, resource.RLIMIT_FSIZE, (largest, resource.RLIM_INFINITY))
    await asyncio.sleep(random.uniform(0.5, 3.0))
    resource.prlimit(town.daemon.pid, resource.RLIMIT_FSIZE, _NO_LIMIT)


async def clock_stepped(town: Town, random: Random) -> None:
    for _ in range(4):
        (town.folder / "clock-ahead").write_text(str(random.randrange(-40, 40) * 3600))
        await asyncio.sleep(random.uniform(0.0, 1.0))


async def second_daemon(town: Town, random: Random) -> None:
    """One more on the same store, one more on the same port."""
    (town.folder / "second.toml").write_text(f'[node]\nname = "second"\n[store]\npath = "{town.road.store}"\n')
    code, _, err = await town.road.luggin("serve", "--config", str(town.folder / "second.toml"))
    assert code != 0
    assert "in use by another daemon" in err, err
    again = (
        '[node]\nname = "third"\n[store]\npath = "third.sqlite"\n'
        f'[instruments.left]\ndriver = "serial"\nport = "{town.folder / INSTRUMENT}"\nreference = "Ag/AgCl (3 M KCl)"\n'
    )
    (town.folder / "third.toml").write_text(again)
    process = await town.road.start(*LUGGIN, "serve", "--config", str(town.folder / "third.toml"))
    assert process.stdout is not None
    while b"another program uses it" not in (told := await process.stdout.readline()):
        assert told
    process.kill()
    await process.communicate()


@dataclass(frozen=True)
class Kind:
    """`faults` are those of the simulator.  `completes`: nothing of this may change how the run ends."""

    name: str
    strike: Strike | None = None
    faults: tuple[str, ...] = ()
    completes: bool = True


KINDS = {
    kind.name: kind
    for kind in (
        Kind("kill -9 of the daemon", daemon_killed),
        Kind("daemon suspended", daemon_suspended),
        Kind("instrument suspended", instrument_suspended),
        Kind("kill -9 of mosquitto", broker_killed),
        Kind("fsync fails", sync_fails),
        Kind("file size limited", disk_full, completes=False),
        Kind("wall clock stepped", clock_stepped),
        Kind("two daemons", second_daemon),
        Kind("terminal hung up", faults=("drop@{}", "drop@{}")),
        Kind("terminal garbles", faults=("garble=0.001@{}",)),
        Kind("terminal loses frames", faults=("loss=0.2@{}",)),
    )
}


async def play(kind: Kind, seed: int, folder: Path, technique: str) -> Account:
    """The account of one run among processes, with its fault at a random moment."""
    random, account = Random(seed), Account(kind.name, seed)
    method = {**draw(random, technique), "dead_man": {"timeout": _DEAD_MAN}}
    longest = duration_of(method)
    at = [fault.format(random.uniform(0.05, 0.9) * longest) for fault in kind.faults]
    more = [word for fault in at for word in ("--fault", fault)]
    async with AsyncExitStack() as stack:
        town = Town(Road(folder, stack), stack)
        speed = f"{max(1.0, longest / _LASTS):.4g}"
        await town.start(cell_of(method), "--speed", speed, "--seed", str(random.randrange(10**6)), *more)
        reply = await town.order("start", token=(await town.ready())["token"], method=method)
        if not reply["accepted"]:
            account.wrong.append(f"the start was refused: {reply}")
        if kind.strike is not None:
            await asyncio.sleep(random.uniform(0.0, _LASTS))
            await kind.strike(town, random)
        await town.ready()
        await _catch_up(town)
        town.daemon.terminate()
        account.cell = "off" if await town.daemon.wait() == 0 else "unknown"
        if account.cell != "off" or town.relay() != "off":
            account.wrong.append(f"the daemon left the cell {account.cell}, the instrument says {town.relay()}")
        truth = town.truth()
        settle(account, town.road.store, truth, town.heard)
        if len(truth.starts) > town.orders:
            account.wrong.append(f"{town.orders} starts were asked for, {len(truth.starts)} runs executed")
        if kind.completes and account.outcomes != ["Complete: completed"]:
            account.wrong.append(f"the run should have been complete, and it is {account.outcomes}")
    return account


def heard(client: Client) -> list[Message]:
    return [Message(each.topic, json.loads(each.payload)) for each in client.received if each.kind == "points"]


async def _catch_up(town: Town) -> None:
    """Wait for the results, which come behind all points, then ask the store for what a broker lost meanwhile."""
    for run in (await town.order("runs", topics.STORE))["data"]["runs"]:
        name = run["run"]
        result = topics.run(NODE, INSTRUMENT, name, "result")
        async with asyncio.timeout(_PATIENCE):
            await town.subscriber.until(lambda each, topic=result: each.topic == topic)  # type: ignore[misc]
        town.heard += heard(town.subscriber)
        got = {index for each in town.heard if each.content["run"] == name for index in _indices(each)}
        while missing := [index for index in range(run["points"]) if index not in got]:
            reply = await town.order("points", topics.STORE, run=name, first=missing[0], count=5000)
            contents = [Message(topics.run(NODE, INSTRUMENT, name, "points"), c) for c in reply["data"]["batches"]]
            assert contents, f"the store does not answer for point {missing[0]} of {name}"
            town.heard += contents
            got |= {index for each in contents for index in _indices(each)}


def _indices(message: Message) -> range:
    return range(message.content["first"], message.content["first"] + message.content["count"])
