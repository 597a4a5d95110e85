"""Attending one open connection: what comes over it is judged at once, it is asked when it is quiet, and it is fed.

The instrument's dead-man timer is fed here and nowhere else, right after the newest batch has passed its limits or the
instrument has said where it stands: a loop that is stuck feeds nothing.  Whatever waits for an answer waits beside the
loop, so that a batch is never judged late.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from typing import Protocol

from luggin.daemon.settings import Intervals
from luggin.drivers.api import News, Session
from luggin.drivers.errors import DriverError, LinkLost, NoAnswer, Refused

MOST_BETWEEN_KEEP_ALIVES = 2.0


class Attended(Protocol):
    """Whose connection it is."""

    def take(self, news: News) -> None:
        """Judge what came, at once."""
        ...

    def feeding(self) -> float | None:
        """The dead-man timeout (s) while the instrument is wanted to go on, else None."""
        ...

    def turn(self) -> int:
        """Changes with each answered command; a status asked for before is of no use after."""
        ...


class Attendance:
    """`looked` is when the connection was last looked at."""

    def __init__(self, session: Session, owner: Attended, intervals: Intervals, now: Callable[[], float]) -> None:
        self._session, self._owner, self._intervals, self._now = session, owner, intervals, now
        self._tasks: dict[str, asyncio.Task[object]] = {}
        self._heard = self._asked = self._fed = self.looked = now()
        self._turn = 0
        self._durable: tuple[str, int] | None = None

    def acknowledge(self, run: str, after: int) -> None:
        """Let the instrument forget points below `after`.  Only the newest mark is sent, and one at a time."""
        self._durable = (run, after)
        task = self._tasks.get("acknowledging")
        if task is None or (task.done() and task.exception() is None):
            self._begin("acknowledging", self._acknowledge())

    async def run(self) -> None:
        """Until the connection is lost; raises the DriverError that says why."""
        news = self._session.news()
        try:
            self._begin("news", _next(news))
            while True:
                self.looked = self._now()
                await asyncio.wait(self._tasks.values(), timeout=self._rest(), return_when=asyncio.FIRST_COMPLETED)
                if self._digest(news):
                    self._feed()
                self._ask()
        finally:
            for task in self._tasks.values():
                task.cancel()
            await asyncio.gather(*self._tasks.values(), return_exceptions=True)

    def _begin(self, name: str, work: Awaitable[object]) -> None:
        self._tasks[name] = asyncio.ensure_future(work)

    def _digest(self, news: AsyncIterator[News]) -> bool:
        """Deal with everything that is done; whether the instrument said something and it was judged."""
        judged = False
        for name in [name for name, task in self._tasks.items() if task.done()]:
            task = self._tasks.pop(name)
            try:
                result = task.result()
            except (NoAnswer, Refused):
                continue  # the connection is there: its silence decides
            except StopAsyncIteration:
                raise LinkLost("the connection ended") from None
            self._heard = self._now()
            if name == "news":
                self._begin("news", _next(news))
            elif name != "status" or self._turn != self._owner.turn():
                continue
            self._owner.take(result)  # type: ignore[arg-type]  # both are news
            judged = True
        return judged

    def _feed(self) -> None:
        timeout = self._owner.feeding()
        due = timeout is not None and self._now() - self._fed >= min(timeout / 4, MOST_BETWEEN_KEEP_ALIVES)
        if due and "feeding" not in self._tasks:
            self._fed = self._now()
            self._begin("feeding", self._session.keep_alive())

    def _ask(self) -> None:
        """Ask where the instrument stands when that is due; lost is what says nothing at all for too long."""
        now = self._now()
        if now - self._heard > self._intervals.silence:
            raise LinkLost(f"the instrument said nothing for {self._intervals.silence:g} s")
        if "status" not in self._tasks and now - self._asked >= self._every():
            self._asked, self._turn = now, self._owner.turn()
            self._begin("status", self._session.status())

    def _every(self) -> float:
        timeout = self._owner.feeding()
        if timeout is None:
            return self._intervals.poll_idle
        # With no point due for long the answers to these questions carry the keep-alives.
        return min(self._intervals.poll_running, timeout / 4)

    def _rest(self) -> float:
        due = self._heard + self._intervals.silence + 0.01
        if "status" not in self._tasks:
            due = min(due, self._asked + self._every())
        return max(0.0, due - self._now())

    async def _acknowledge(self) -> None:
        while self._durable is not None:
            (run, after), self._durable = self._durable, None
            # One that fails is no loss: the instrument keeps the points, and the next mark covers this one.
            with suppress(DriverError):
                await self._session.acknowledge(run, after)


async def _next(news: AsyncIterator[News]) -> News:
    return await anext(news)
