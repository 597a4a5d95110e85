"""The worker for slow effects: one at a time, in order, and all of them dropped at a stroke."""

import asyncio
from collections.abc import Awaitable, Callable

Work = Callable[[], Awaitable[None]]


class Worker:
    """`spawn` makes a task, that somebody looks after, of a name, a coroutine function and its arguments."""

    def __init__(self, spawn: Callable[..., asyncio.Task[None]]) -> None:
        self._spawn = spawn
        self._tasks: list[asyncio.Task[None]] = []

    def add(self, work: Work) -> None:
        """Do this after everything that was added before."""
        self._tasks = [task for task in self._tasks if not task.done()]
        self._tasks.append(self._spawn("worker", _after, self._tasks[-1] if self._tasks else None, work))

    def cancel(self) -> None:
        for task in self._tasks:
            task.cancel()


async def _after(previous: asyncio.Task[None] | None, work: Work) -> None:
    if previous is not None:
        await asyncio.wait({previous})
    await work()
