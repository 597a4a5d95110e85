"""Slow effects: one at a time, in order, dropped at a stroke."""

import asyncio
from typing import Any

from luggin.daemon.worker import Worker


def spawn(what: str, work: Any, *args: Any) -> asyncio.Task[None]:
    return asyncio.create_task(work(*args), name=what)


async def test_work_is_done_in_order_one_at_a_time() -> None:
    worker, done, free = Worker(spawn), list[int](), asyncio.Event()

    async def work(number: int) -> None:
        await free.wait()
        done.append(number)

    async def last() -> None:
        done.append(9)
        finished.set()

    finished = asyncio.Event()
    worker.add(lambda: work(1))
    worker.add(lambda: work(2))
    worker.add(last)
    await asyncio.sleep(0)
    assert done == []
    free.set()
    await finished.wait()
    assert done == [1, 2, 9]


async def test_cancelling_drops_what_is_under_way_and_what_waits() -> None:
    worker, begun, cancelled = Worker(spawn), asyncio.Event(), asyncio.Event()

    async def hangs() -> None:
        begun.set()
        try:
            await asyncio.Event().wait()
        finally:
            cancelled.set()

    async def never() -> None:
        raise AssertionError("it was to be dropped")

    worker.add(hangs)
    worker.add(never)
    await begun.wait()
    worker.cancel()
    await cancelled.wait()
    after = asyncio.Event()

    async def works() -> None:
        after.set()

    worker.add(works)
    await after.wait()
