"""Host-timed execution: a session for any instrument that only sets and reads (`luggin.drivers.set_and_read`).

The host is the instrument's clock: it applies each step when its time has come, reads, checks the limits of the program
on every reading, and keeps the points until they are acknowledged.  That is honest work for slow methods, with these
limits, which the capability states:

- Steps come as exactly as the host's own loop and the instrument's answers allow.  The time of each point is the
  host's monotonic clock in the middle of the exchange that read it, not the time that was planned, and every point is
  flagged HOST_TIME.  The n-th point of a segment was planned n periods after the segment began, so the lateness of each
  is in the data; a run that ended says how many readings were late by more than a step.
- There is no dead-man timer.  When the host dies, or its line, the last level goes on standing in the cell, watched by
  nobody: such an instrument is for attended work.  A host that was itself held up for longer than the dead-man time of
  the program lets the cell go.
- The session carries the program out.  Closing it ends the run and lets the cell go; the points are kept, and so is a
  program that was only armed.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager
from typing import TypeVar

from luggin.drivers.api import News
from luggin.drivers.errors import DriverError, LinkLost, Refused
from luggin.drivers.set_and_read import SetAndRead
from luggin.drivers.stepped_memory import Memory
from luggin.drivers.stepped_run import WORKING, Run
from luggin.drivers.stream import CLOSING
from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Activity, Cell, Outcome, Reading, Receipt, Status
from luggin.protocol.points import Batch
from luggin.protocol.program import Program

_Answer = TypeVar("_Answer")
_MOST_STATUSES = 1000
_MOST_POINTS = 4096
"""Points of one batch."""


class SteppedSession:
    """A session of the driver interface (see `luggin.drivers.api`) on an instrument that only sets and reads."""

    def __init__(self, unit: SetAndRead, memory: Memory) -> None:
        self._unit, self._memory = unit, memory
        self._loop = asyncio.get_running_loop()
        self._run: Run | None = None
        self._cell = Cell.UNKNOWN
        self._changed = asyncio.Event()
        self._lost: LinkLost | None = None
        self._statuses: deque[tuple[int, Status]] = deque(maxlen=_MOST_STATUSES)  # each after so many points
        self._told: object = None
        self._sending = False
        self._sent = 0

    @property
    def capability(self) -> Capability:
        return self._unit.capability

    async def status(self) -> Status:
        self._require_link()
        if not self._working:
            self._cell = await self._ask(self._unit.look())
        return self._status()

    async def read(self) -> Reading:
        self._require_link()
        clock, run = self._memory.clock(self._loop.time()), self._run
        if not self._working or run is None or run.last is None:
            return Reading(await self._ask(self._unit.look()), clock)
        last = run.last
        return Reading(
            cell=last.cell,
            clock=clock,
            potential=_there(last.potential),
            current=_there(last.current),
            current_range=_there(last.current_range),
            cell_voltage=_there(last.cell_voltage),
            temperature=_there(last.temperature),
        )

    async def arm(self, run: str, program: Program) -> None:
        self._require_link()
        self._memory.arm(run, program, self.capability)
        # What is still to be said of the run before waits for no points any more.
        self._statuses = deque(((0, status) for _, status in self._statuses), maxlen=_MOST_STATUSES)
        self._sending = False
        self._tell()

    async def start(self, run: str) -> None:
        self._require_link()
        plan, program, points = self._memory.begin(run, self.capability)
        self._sending, self._sent = True, 0
        self._run = Run(self._unit, plan, program, points.append, self._of_run)
        await self._ask(self._run.started())

    async def news(self) -> AsyncIterator[News]:
        while True:
            while (news := self._next_news()) is None:
                self._require_link()
                self._changed.clear()
                await self._changed.wait()
            yield news

    async def acknowledge(self, run: str, after: int) -> None:
        self._require_link()
        self._memory.acknowledge(run, after)
        self._tell()

    async def replay(self, run: str, first: int) -> None:
        self._require_link()
        points = self._memory.points_of(run)
        if first > points.next:
            raise Refused(f"there is no point {first}; the next one is {points.next}")
        self._sending, self._sent = True, max(first, points.oldest)
        if self._memory.activity is Activity.ENDED:
            self._statuses.append((points.next, self._status()))
        self._changed.set()

    async def keep_alive(self) -> None:
        """There is no timer to feed."""
        self._require_link()

    async def hold(self) -> None:
        await self._request("hold")

    async def unhold(self) -> None:
        await self._request("unhold")

    async def stop(self) -> None:
        await self._request("stop")

    async def cell_off(self) -> Receipt:
        self._end(Outcome.OFF, "cell-off was asked for")
        self._memory.disarm()
        self._cell = Cell.UNKNOWN
        try:
            receipt = await self._ask(self._unit.off())
            self._cell = receipt.cell
            return receipt
        finally:
            self._tell()

    async def close(self) -> None:
        """End what this session times.  Raises what a run met that nobody foresaw."""
        run, working = self._run, self._working
        self._end(Outcome.DEAD_MAN, "the session that timed the run was closed")
        if working:
            with contextlib.suppress(DriverError, TimeoutError):
                async with asyncio.timeout(CLOSING):
                    await self._unit.off()
        self._lost = self._lost or LinkLost("it was closed here")
        self._changed.set()
        if run is not None:
            await run.gone()
            if run.error is not None and not isinstance(run.error, DriverError):
                raise run.error

    # Inside

    @property
    def _working(self) -> bool:
        """Whether a run of this session is on."""
        return self._run is not None and self._memory.activity in WORKING

    def _end(self, outcome: Outcome, detail: str) -> None:
        """End the run, if one is on, without another word to the instrument."""
        if self._run is not None:
            self._run.plan.end(outcome, detail)
            self._run.cancel()

    async def _request(self, what: str) -> None:
        self._require_link()
        run = self._run
        if run is None or not self._working:
            raise Refused(f"not possible while the instrument is {self._memory.activity.value}", self._cell)
        await run.ask(getattr(run.plan, what))

    async def _ask(self, call: Awaitable[_Answer]) -> _Answer:
        try:
            return await call
        except LinkLost as error:
            self._lose(error)
            raise

    def _lose(self, error: LinkLost) -> None:
        self._lost = self._lost or error
        self._changed.set()

    def _require_link(self) -> None:
        if self._lost is not None:
            raise LinkLost(str(self._lost))

    def _status(self) -> Status:
        return self._memory.status(self._loop.time(), self._cell)

    def _of_run(self) -> None:
        """The run that is on tells that something may have changed."""
        run = self._run
        if run is not None:
            self._cell = run.cell
            if isinstance(run.error, LinkLost):
                self._lose(run.error)
        self._tell()

    def _tell(self) -> None:
        """Queue a status when it says something new, after the points there are by now."""
        status, points = self._status(), self._memory.points
        standing = (status.activity, status.cell, status.run, status.outcome, status.phase)
        if standing != self._told:
            self._told = standing
            self._statuses.append((0 if points is None else points.next, status))
        self._changed.set()

    def _next_news(self) -> News | None:
        points = self._memory.points
        if self._statuses and (points is None or not self._sending or self._sent >= self._statuses[0][0]):
            return self._statuses.popleft()[1]
        if points is None or not self._sending:
            return None
        self._sent = max(self._sent, points.oldest)
        after = min(self._statuses[0][0] if self._statuses else points.next, self._sent + _MOST_POINTS)
        if self._sent >= after:
            return None
        batch: Batch = points.batch(self._sent, after)
        self._sent = after
        return batch


@asynccontextmanager
async def attached(unit: SetAndRead, memory: Memory) -> AsyncIterator[SteppedSession]:
    """A session on an instrument that has answered; leaving ends what the session times.  Raises NotReachable."""
    with memory.occupied():
        session = SteppedSession(unit, memory)
        try:
            yield session
        finally:
            await session.close()


def _there(value: float) -> float | None:
    return value if value == value else None
