"""Conformance checks of what connections and calls that overtake each other may do to an instrument."""

import asyncio
import contextlib

from luggin.drivers.api import Session
from luggin.drivers.conformance_bench import (
    ENDLESS,
    Connect,
    DoesNotApply,
    Follower,
    block,
    check_batches,
    new_run,
    period_of,
    program,
    refused,
    require,
    settle,
    started,
)
from luggin.drivers.contracts import guards
from luggin.drivers.errors import DriverError
from luggin.protocol.instrument import Activity, Cell

_LOOKS = 5
_HEAD_STARTS = (0, 1, 3, 10, 40)
"""Turns of the event loop by which a start is ahead of the cell-off that overtakes it."""


@guards(5)
async def opening_leaves_what_is_armed(connect: Connect) -> None:
    run = new_run()
    async with connect() as session:
        await settle(session)
        await session.arm(run, program(block(session, ENDLESS)))
    async with connect() as session:
        status = await session.status()
        contract = "opening and closing a connection leave an armed program armed"
        require(status.activity is Activity.ARMED and status.run == run, contract, status)
        follower = Follower(session, run)
        await session.start(run)
        await follower.points(1)
        await settle(session)


@guards(5)
async def opening_leaves_what_runs(connect: Connect) -> None:
    async with connect() as session:
        if session.capability.host_timed:
            raise DoesNotApply("the capability says that the host times the steps: a run ends with its session")
        follower = await started(session, program(block(session, ENDLESS)))
        run = follower.run
        await follower.points(1)
        before = await session.status()
    for _ in range(2):
        async with connect() as session:
            after = await session.status()
            contract = "opening and closing a connection reset nothing: the run goes on, the cell stays on"
            kept = after.activity is Activity.RUNNING and after.cell is Cell.ON and after.boot == before.boot
            require(kept and after.clock > before.clock and after.next >= before.next, contract, after)
            before = after
    async with connect() as session:
        follower = Follower(session, run)
        await session.replay(run, 0)
        await follower.points(before.next)
        check_batches(follower.batches, 0)
        await settle(session)


@guards(5)
async def closing_ends_what_the_host_times(connect: Connect) -> None:
    async with connect() as session:
        if not session.capability.host_timed:
            raise DoesNotApply("the capability says that the instrument times its steps itself")
        follower = await started(session, program(block(session, ENDLESS)))
        await follower.points(3)
    async with connect() as session:
        status = await session.status()
        contract = "a run that nobody times any more has ended, with the cell off"
        require(status.activity is Activity.ENDED and status.cell is Cell.OFF, contract, status)
        require(status.outcome is not None and status.detail != "", "it says why it ended", status)
        follower = Follower(session, follower.run)
        await session.replay(follower.run, 0)
        await follower.points(status.next)
        check_batches(follower.batches, 0)
        await settle(session)


@guards(7)
async def a_start_that_cell_off_overtook_is_never_sent(connect: Connect) -> None:
    async with connect() as session:
        for head_start in _HEAD_STARTS:
            await settle(session)
            run = new_run()
            await session.arm(run, program(block(session, ENDLESS)))
            starting = asyncio.create_task(session.start(run))
            for _ in range(head_start):
                await asyncio.sleep(0)
            receipt = await session.cell_off()
            require(receipt.confirmed, "cell-off is confirmed while a start is on its way", receipt)
            with contextlib.suppress(DriverError):  # it may have come through before, and may have been lost
                await starting
            await _stays_off(session)
            await refused(session.start(run), "what cell-off overtook is not armed any more")


async def _stays_off(session: Session) -> None:
    for _ in range(_LOOKS):
        status = await session.status()
        quiet = status.cell is Cell.OFF and status.activity in (Activity.IDLE, Activity.ENDED)
        require(quiet, "a start that cell-off overtook energises nothing later", status)
        await asyncio.sleep(period_of(session))
