"""A run that the host times, going on: the one task that energises anything."""

import asyncio
from collections import deque
from collections.abc import Callable, Mapping

from luggin.drivers.errors import DriverError, NoAnswer, Refused
from luggin.drivers.set_and_read import Measured, SetAndRead
from luggin.drivers.stepped_plan import NotPossible, Plan
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.program import Program
from luggin.protocol.quantity import show

Request = Callable[[float], None]


class Run:
    """Carries out a plan on an instrument from `begin` until it ended or `cancel` was called.

    `keep` takes each point, `changed` is called whenever something may look different.  Cancelled, it does nothing
    more, and leaves letting the cell go to whoever cancelled it.
    """

    def __init__(
        self,
        unit: SetAndRead,
        plan: Plan,
        program: Program,
        keep: Callable[[Mapping[str, float]], None],
        changed: Callable[[], None],
    ) -> None:
        self.plan = plan
        self.cell = Cell.UNKNOWN
        self.last: Measured | None = None
        self.error: Exception | None = None
        """What ended the run, if that was an error."""
        self._unit, self._program, self._keep, self._changed = unit, program, keep, changed
        self._loop = asyncio.get_running_loop()
        self._begun = self._loop.time()
        self._started: asyncio.Future[None] = self._loop.create_future()
        self._requests: deque[tuple[Request, asyncio.Future[None]]] = deque()
        self._wake = asyncio.Event()
        self._task = self._loop.create_task(self._run(), name="host-timed run")

    async def started(self) -> None:
        """Returns once the first level stands.  Raises what prevented it."""
        await asyncio.shield(self._started)

    async def ask(self, request: Request) -> None:
        """Let the plan take a request between two readings.  Raises Refused."""
        answer: asyncio.Future[None] = self._loop.create_future()
        self._requests.append((request, answer))
        self._wake.set()
        await answer

    def cancel(self) -> None:
        """From here on nothing more is sent."""
        self._task.cancel()
        self._answer_all()

    async def gone(self) -> None:
        """Wait until the task is over."""
        await asyncio.gather(self._task, return_exceptions=True)

    async def _run(self) -> None:
        try:
            await self._carry_out()
        except DriverError as error:
            self._failed(error, str(error))
        except Exception as error:
            self._failed(error, f"this program failed ({type(error).__name__})")
        finally:
            self._answer_all()
        try:
            self.cell = (await self._unit.off()).cell
        except DriverError as error:
            self.cell, self.error = Cell.UNKNOWN, self.error or error
        self._changed()

    def _failed(self, error: Exception, sentence: str) -> None:
        self.error = error
        self.plan.end(Outcome.FAULT, sentence)
        if not self._started.done():
            self._started.set_exception(error)

    async def _carry_out(self) -> None:
        plan, unit = self.plan, self._unit
        if await unit.look() is not Cell.OFF:
            raise Refused("the cell does not read as off; switch it off first")
        await unit.prepare(self._program)
        applied = plan.setting
        await unit.apply(applied.control, applied.level)
        self._begun = self._loop.time()
        self.cell = Cell.ON
        self._changed()
        if not self._started.done():
            self._started.set_result(None)
        while plan.active:
            if plan.setting != applied:
                applied = plan.setting
                await unit.apply(applied.control, applied.level)
            elif await self._due():
                await self._read()
            else:
                self._take_requests()
            if plan.active:  # its end is told once the cell has been let go
                self._changed()

    async def _due(self) -> bool:
        """Wait for the next reading; False when there are requests before that."""
        when = self._begun + self.plan.due
        try:
            async with asyncio.timeout_at(when):
                await self._wake.wait()
        except TimeoutError:
            return True
        return False

    async def _read(self) -> None:
        before, allowed = self._loop.time(), self._program.dead_man.timeout
        late = before - self._begun - self.plan.due
        if late > allowed:
            words = f"the host itself was held up for {show(late, 's')}, longer than its dead-man time"
            self.plan.end(Outcome.DEAD_MAN, words)
            return
        self.last = measured = await self._unit.measure()
        self.cell = measured.cell
        # Somewhere between question and answer it was measured.
        time = (before + self._loop.time()) / 2 - self._begun
        point = self.plan.take(time, measured)
        if point is not None:
            self._keep(point)

    def _take_requests(self) -> None:
        self._wake.clear()
        while self._requests:
            request, answer = self._requests.popleft()
            if answer.done():
                continue
            try:
                request(self._loop.time() - self._begun)
            except NotPossible as error:
                answer.set_exception(Refused(str(error), self.cell))
            else:
                answer.set_result(None)

    def _answer_all(self) -> None:
        """Whoever waits for something of this run learns that it is over."""
        if not self._started.done():
            self._started.set_exception(NoAnswer("the start was overtaken: something else ended the run first"))
        self._started.exception()  # nobody need have waited for it
        for _, answer in self._requests:
            if not answer.done():
                answer.set_exception(Refused("nothing runs any more", self.cell))
        self._requests.clear()


WORKING = frozenset({Activity.RUNNING, Activity.HELD, Activity.CLOSING, Activity.AFTER_RUN})
