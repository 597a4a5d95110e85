"""An instrument without a line for the daemon's session: a test plays its part and may let anything go wrong."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any, Self

import numpy as np

from luggin.drivers.api import News, Session
from luggin.drivers.errors import LinkLost, NotReachable, Refused
from luggin.protocol.capability import Capability, Identity
from luggin.protocol.instrument import Activity, Cell, Outcome, Reading, Receipt, Status
from luggin.protocol.points import Batch, batch
from luggin.protocol.program import Program

CAPABILITY = Capability(
    identity=Identity(maker="none", model="scripted", serial="1", firmware="0"),
    segments=("open", "hold", "ramp", "pulses", "sine", "couple"),
    controls=("potential", "current"),
    potential_low=-5.0,
    potential_high=5.0,
    compliance=10.0,
    current_ranges=(1e-6, 1e-5, 1e-4, 1e-3, 1e-2),
    fastest_period=1e-4,
    steepest_sweep=100.0,
    streamed_rate=1e5,
    buffer=10**9,
    columns=("time", "phase", "cycle", "potential", "current", "flags"),
    floating=True,
    dead_man=True,
    largest_program=10**6,
)


class Instrument:
    """The instrument at the other end, as the driver of the session under test.

    `calls` lists what it was asked.  `hanging` names calls that never answer, `failing` maps a call to the error that
    it raises; `receipts` are the answers to cell-off, after which it is confirmed.
    """

    def __init__(self, capability: Capability = CAPABILITY) -> None:
        self.capability = capability
        self.reachable = True
        self.calls: list[str] = []
        self.called = asyncio.Condition()
        self.hanging: set[str] = set()
        self.failing: dict[str, Exception] = {}
        self.receipts: list[Receipt] = []
        self.acknowledged = 0
        self.fed: list[float] = []
        self.state = Status(Activity.IDLE, Cell.OFF, "boot-1", 0.0)
        self.program: Program | None = None
        self.held: list[Batch] = []
        self.session: ScriptedSession | None = None
        self._opened = 0

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self:
        return cls()

    @property
    def address(self) -> str:
        return "scripted instrument"

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        assert self.session is None, "opened before it was closed"
        if not self.reachable:
            raise NotReachable("scripted instrument: nobody answers")
        self._opened += 1
        self.session = ScriptedSession(self)
        try:
            yield self.session
        finally:
            self.session = None

    # What the test lets it do

    def now(self, **changes: Any) -> None:
        """Change what it says of itself, and tell."""
        self.state = replace(self.state, clock=asyncio.get_running_loop().time(), **changes)
        if self.session is not None:
            self.session.tell(self.state)

    def measure(self, count: int, **columns: Any) -> None:
        """Measure points, one each 0.1 s, and send them."""
        first = self.state.next
        index = np.arange(first, first + count)
        values = {
            "time": (index + 1) * 0.1,
            "phase": np.zeros(count),
            "cycle": np.ones(count),
            "potential": np.zeros(count),
            "current": index * 1e-9,
            "flags": np.zeros(count),
            **{name: np.full(count, value) for name, value in columns.items()},
        }
        made = batch(self.state.run or "", self.state.boot, first, values)
        self.held.append(made)
        self.state = replace(self.state, next=made.after, run_time=made.after * 0.1)
        if self.session is not None:
            self.session.tell(made)

    def end(self, outcome: Outcome, detail: str = "") -> None:
        self.now(activity=Activity.ENDED, cell=Cell.OFF, outcome=outcome, detail=detail)

    def restart(self) -> None:
        """Lose power for a moment."""
        self.held.clear()
        self.state = Status(Activity.IDLE, Cell.OFF, f"boot-{id(object())}", 0.0)
        self.drop()

    def drop(self) -> None:
        """Cut the connection."""
        if self.session is not None:
            self.session.cut()

    # What a test waits for

    async def asked(self, call: str, times: int = 1) -> None:
        """Wait until it was asked this so many times."""
        async with self.called:
            await self.called.wait_for(lambda: self.calls.count(call) >= times)


class ScriptedSession:
    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self._queue: asyncio.Queue[News | None] = asyncio.Queue()
        self._lost = asyncio.Event()

    @property
    def capability(self) -> Capability:
        return self._instrument.capability

    def tell(self, news: News) -> None:
        self._queue.put_nowait(news)

    def cut(self) -> None:
        self._lost.set()
        self._queue.put_nowait(None)

    async def _answer(self, call: str) -> None:
        instrument = self._instrument
        async with instrument.called:
            instrument.calls.append(call)
            instrument.called.notify_all()
        if self._lost.is_set():
            raise LinkLost("scripted instrument: the link was lost")
        if call in instrument.failing:
            raise instrument.failing[call]
        if call in instrument.hanging:
            await self._lost.wait()
            raise LinkLost("scripted instrument: the link was lost")

    async def status(self) -> Status:
        await self._answer("status")
        now = asyncio.get_running_loop().time()
        self._instrument.state = replace(self._instrument.state, clock=now)
        return self._instrument.state

    async def arm(self, run: str, program: Program) -> None:
        await self._answer("arm")
        self._instrument.program = program
        self._instrument.held.clear()
        self._instrument.now(activity=Activity.ARMED, run=run, outcome=None, detail="", oldest=0, next=0, run_time=0.0)

    async def start(self, run: str) -> None:
        await self._answer("start")
        if self._instrument.state.run != run:
            raise Refused("another run is armed")
        self._instrument.now(activity=Activity.RUNNING, cell=Cell.ON)

    async def news(self) -> AsyncIterator[News]:
        while (news := await self._queue.get()) is not None:
            yield news
        raise LinkLost("scripted instrument: the link was lost")

    async def acknowledge(self, run: str, after: int) -> None:
        await self._answer("acknowledge")
        instrument = self._instrument
        instrument.acknowledged = after
        instrument.held = [part for each in instrument.held if (part := each.cut(after, each.after)) is not None]
        instrument.state = replace(instrument.state, oldest=max(instrument.state.oldest, after))

    async def replay(self, run: str, first: int) -> None:
        await self._answer("replay")
        for each in self._instrument.held:
            if (part := each.cut(first, each.after)) is not None:
                self.tell(part)

    async def keep_alive(self) -> None:
        self._instrument.fed.append(asyncio.get_running_loop().time())
        await self._answer("keep_alive")

    async def hold(self) -> None:
        await self._answer("hold")
        self._instrument.now(activity=Activity.HELD)

    async def unhold(self) -> None:
        await self._answer("unhold")
        self._instrument.now(activity=Activity.RUNNING)

    async def stop(self) -> None:
        await self._answer("stop")
        self._instrument.end(Outcome.STOPPED)

    async def cell_off(self) -> Receipt:
        await self._answer("cell_off")
        if self._instrument.receipts:
            return self._instrument.receipts.pop(0)
        active = self._instrument.state.activity in (Activity.RUNNING, Activity.HELD, Activity.AFTER_RUN)
        if active:
            self._instrument.end(Outcome.OFF)
        return Receipt(Cell.OFF)

    async def read(self) -> Reading:
        await self._answer("read")
        return Reading(cell=self._instrument.state.cell, clock=self._instrument.state.clock, potential=0.1)
