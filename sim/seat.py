"""The one place at the line of a simulated instrument: whoever comes later takes it over."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

from luggin.drivers.stream import ByteStream

Job = Callable[[], Coroutine[Any, Any, None]]


class Seat:
    def __init__(self) -> None:
        self._dropped = asyncio.Event()
        self._line = asyncio.Lock()

    def vacate(self) -> None:
        """Close the connection that is served now, if any."""
        self._dropped.set()

    async def occupy(self, stream: ByteStream, read: Job, write: Job, left: Callable[[], None]) -> None:
        """Read and write until either ends or the place is taken; then `left` is called and the stream closed.

        A connection that is served already is closed first.
        """
        self.vacate()
        async with self._line:
            self._dropped.clear()
            jobs = [
                asyncio.create_task(read(), name="read"),
                asyncio.create_task(write(), name="write"),
                asyncio.create_task(_until(self._dropped), name="dropped"),
            ]
            try:
                await asyncio.wait(jobs, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for job in jobs:
                    job.cancel()
                outcomes = await asyncio.gather(*jobs, return_exceptions=True)
                left()
                await stream.close()
            for outcome in outcomes:
                if isinstance(outcome, Exception) and not isinstance(outcome, OSError):
                    raise outcome


async def _until(event: asyncio.Event) -> None:
    await event.wait()
