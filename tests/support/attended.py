"""A daemon's instrument with a real store and a scripted instrument at its other end."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.session import Instrument
from luggin.daemon.settings import InstrumentSettings, Intervals
from luggin.daemon.store import Store
from luggin.drivers.api import Driver
from luggin.protocol import payloads
from luggin.protocol.payloads import Alarm, InstrumentState, Reply
from support import scripted

REFERENCE = "Ag/AgCl (3 M KCl)"
SETTINGS = InstrumentSettings(reference=REFERENCE, electrode="gc-3", shown={"driver": "scripted"})
QUICK = Intervals(
    connect=1.0, reconnect=(0.01, 0.02), poll_running=0.1, poll_idle=0.1, silence=0.6, cell_off=0.3, health=60.0
)
METHOD: dict[str, Any] = {
    "version": 1,
    "name": "column-hold",
    "technique": "chronoamperometry",
    "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
    "phases": [{"phase": "measure", "potential": 0.0, "duration": 1000.0, "period": 0.1}],
    "limits": {"potential": {"low": -0.5, "high": 0.5, "hard_low": -2.0, "hard_high": 2.0}},
}


@dataclass
class Attended:
    instrument: Instrument
    board: Board
    store: Store
    running: asyncio.Task[None]
    requests: int = 0

    @property
    def state(self) -> InstrumentState:
        state = self.board.entries["luggin/lab/left/state"]
        assert isinstance(state, InstrumentState)
        return state

    @property
    def alarm(self) -> Alarm:
        alarm = self.board.entries["luggin/lab/left/alarm"]
        assert isinstance(alarm, Alarm)
        return alarm

    async def until(self, true: Callable[[InstrumentState], bool]) -> InstrumentState:
        """Wait until the published state is so."""
        serial = 0
        while True:
            serial, fresh = await self.board.newer(serial)
            state = fresh.get("luggin/lab/left/state")
            if isinstance(state, InstrumentState) and true(state):
                return state

    async def becomes(self, state: str) -> InstrumentState:
        return await self.until(lambda each: each.state == state)

    async def ready(self) -> InstrumentState:
        """Wait until a run may start."""
        return await self.until(lambda each: each.link == "up" and each.cell == "off")

    async def committed(self) -> None:
        """Let the store commit everything that it was given."""
        await self.store.event(None, None, "commit", "Everything before this is on the disk.", urgent=True)

    async def order(self, verb: str, **fields: Any) -> Reply:
        self.requests += 1
        payload = payloads.COMMANDS[verb](request=f"request-{self.requests}", **fields)
        return await self.instrument.handle(ReceivedCommand(verb, "anna", True, payload, "mqtt"))

    async def start(self, method: Mapping[str, Any] = METHOD, **changes: Any) -> str:
        """Start a run and wait until it is on; its id."""
        reply = await self.order("start", token=self.state.token, method={**method, **changes})
        assert reply.accepted, reply
        assert reply.run
        await self.becomes("Execute")
        return reply.run

    async def kinds(self, run: str) -> list[str]:
        return [event.kind for event in await self.store.events(run)]


@asynccontextmanager
async def attended(
    path: Path,
    driver: Driver | None = None,
    *,
    settings: InstrumentSettings = SETTINGS,
    intervals: Intervals = QUICK,
    clock: Clock | None = None,
    **store_options: Any,
) -> AsyncIterator[Attended]:
    """An instrument that runs until the block is left; then it is shut down as the daemon does it."""
    board = Board()
    made = driver or scripted.Instrument()
    async with Store.open(path / "store.sqlite", **{"interval": 0.01, "slow_interval": 0.01, **store_options}) as store:
        instrument = Instrument("lab", "left", made, settings, store, board, clock, intervals)
        task = asyncio.create_task(instrument.run())
        try:
            yield Attended(instrument, board, store, task)
        finally:
            await instrument.shutdown(0.1)
            with suppress(asyncio.CancelledError):
                await task


def longer(**changes: Any) -> Intervals:
    return replace(QUICK, **changes)
