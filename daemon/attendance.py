"""Attending one open connection: what comes over it is handed on, it is asked when it is silent, and it is kept alive.

The dead-man timer is fed here and nowhere else, after the newest batch has passed its limits or after the instrument
has answered: a loop that is stuck feeds nothing.
"""

import asyncio
from collections.abc import Callable
from contextlib import suppress

from luggin.daemon.settings import Intervals
from luggin.drivers.api import News, Session
from luggin.drivers.errors import DriverError

MOST_BETWEEN_KEEP_ALIVES = 2.0


class Attendance:
    """`take` judges each piece of news at once; `feeding` gives the dead-man timeout while the cell is wanted on."""

    def __init__(
        self,
        session: Session,
        intervals: Intervals,
        take: Callable[[News], None],
        feeding: Callable[[], float | None],
        now: Callable[[], float],
    ) -> None:
        self._session, self._intervals, self._take, self._feeding, self._now = session, intervals, take, feeding, now
        self._fed = float("-inf")
        self._acknowledge: tuple[str, int] | None = None
        self._to_acknowledge = asyncio.Event()

    def acknowledge(self, run: str, after: int) -> None:
        """Let the instrument forget points below `after`; only the newest mark is sent."""
        self._acknowledge = (run, after)
        self._to_acknowledge.set()

    async def run(self) -> None:
        """Until the connection is lost; raises the DriverError that says why."""
        acknowledging = asyncio.create_task(self._acknowledge_forever(), name="acknowledge")
        news = self._session.news()
        coming = asyncio.ensure_future(anext(news))
        try:
            while True:
                await asyncio.wait({coming}, timeout=self._patience())
                if coming.done():
                    self._take(coming.result())
                    coming = asyncio.ensure_future(anext(news))
                else:
                    async with asyncio.timeout(self._intervals.silence):
                        self._take(await self._session.status())
                await self._keep_alive()
        except TimeoutError:
            raise DriverError(f"the instrument said nothing for {self._intervals.silence:g} s") from None
        finally:
            for task in (acknowledging, coming):
                task.cancel()
            await asyncio.gather(acknowledging, coming, return_exceptions=True)

    def _patience(self) -> float:
        timeout = self._feeding()
        if timeout is None:
            return self._intervals.poll_idle
        return min(self._intervals.poll_running, self._interval(timeout))

    async def _keep_alive(self) -> None:
        timeout = self._feeding()
        if timeout is not None and self._now() - self._fed >= self._interval(timeout):
            self._fed = self._now()
            await self._session.keep_alive()

    @staticmethod
    def _interval(timeout: float) -> float:
        return min(timeout / 4, MOST_BETWEEN_KEEP_ALIVES)

    async def _acknowledge_forever(self) -> None:
        while True:
            await self._to_acknowledge.wait()
            self._to_acknowledge.clear()
            if self._acknowledge is not None:
                # One that fails is no loss: the instrument keeps the points, the next mark covers this one.
                with suppress(DriverError):
                    await self._session.acknowledge(*self._acknowledge)
