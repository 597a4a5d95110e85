"""A rig in time: what nobody takes from it keeps nobody busy."""

import asyncio

from luggin.protocol.instrument import Activity
from luggin.sim.driver import SimDriver
from luggin.sim.shell import Shell
from support.bench import RUN, hold, program
from support.swift_loop import run_swiftly


async def _left_with_unsent_points() -> SimDriver:
    """An instrument that executes on, whose host went away while points waited to be sent."""
    driver = SimDriver.parse({"cell": "dummy-r-rc"})
    async with driver.open(3.0) as session:
        await session.arm(RUN, program(hold(0.1, 1e4, 0.03)))
        await session.start(RUN)
        await asyncio.sleep(0.05)
    assert driver._rig is not None
    assert driver._rig.send_due() is not None
    return driver


def test_an_instrument_whose_points_wait_is_reached_again() -> None:
    async def main() -> None:
        driver = await _left_with_unsent_points()
        await asyncio.sleep(2.0)
        async with driver.open(3.0) as session:
            assert (await session.status()).activity is Activity.RUNNING

    run_swiftly(main(), 100.0)


def test_without_a_host_the_instrument_only_does_what_is_due() -> None:
    async def main() -> None:
        rig = (await _left_with_unsent_points())._rig
        assert rig is not None
        slices, work = 0, rig.work

        def counted(now: float, most: int = 512) -> bool:
            nonlocal slices
            slices += 1
            return work(now, most)

        rig.work = counted  # type: ignore[method-assign]
        task = asyncio.create_task(Shell(rig).work())
        await asyncio.sleep(3.0)
        task.cancel()
        await asyncio.wait({task})
        assert 90 <= slices <= 330, "about one for each point"

    run_swiftly(main(), 100.0)
