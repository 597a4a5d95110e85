"""Conformance checks of what an instrument tells: its capability, its readings, its points."""

import numpy as np

from luggin.drivers.api import Session
from luggin.drivers.conformance_bench import (
    LEVEL,
    Connect,
    DoesNotApply,
    Follower,
    block,
    check_batches,
    columns,
    period_of,
    program,
    refused,
    require,
    seconds_of,
    settle,
    started,
)
from luggin.drivers.contracts import guards
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.points import COLUMNS, Batch
from luggin.protocol.program import DeadMan, sample_count


@guards(1)
async def capability_makes_sense(connect: Connect) -> None:
    async with connect() as session:
        require(isinstance(session, Session), "a session has everything that luggin.drivers.api.Session lists")
        capability = session.capability
        ranges = capability.current_ranges
        require(list(ranges) == sorted(set(ranges)), "current ranges ascend", ranges)
        low, high = capability.potential_low, capability.potential_high
        require(low < -LEVEL and high > LEVEL, "an instrument applies at least -0.1 V to 0.1 V", (low, high))
        unknown = set(capability.columns) - COLUMNS.keys()
        require(not unknown, "columns have the names of luggin.protocol.points", unknown)
        require("time" in capability.columns, "every point has a time", capability.columns)


@guards(2)
async def reading_tells_of_the_cell(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        before, after = await session.read(), await session.read()
        require(before.cell is Cell.OFF, "a reading says what the relay's read-back says", before)
        require(after.clock > before.clock, "the instrument's clock goes on", (before.clock, after.clock))


@guards(8)
async def points_come_complete_and_before_the_end(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, program(block(session)))
        status = await follower.ended()
        require(status.outcome is Outcome.COMPLETED, "a program that went through is completed", status)
        require(status.cell is Cell.OFF, "the cell is off after the last segment", status.cell)
        after = check_batches(follower.batches, 0)
        contract = "the last batch of a run comes before the status that says it ended"
        require(after == status.next, contract, f"{after} points came, {status.next} were made")
        seconds, period = seconds_of(session), period_of(session)
        expected = sample_count(seconds, period)
        require(after == expected, f"{seconds:g} s with a point each {period:g} s make {expected} points", after)
        found = set(follower.batches[0].columns) - set(session.capability.columns)
        require(not found, "batches have no columns that the capability doesn't name", found)
        if "potential" in follower.batches[0].columns:
            potential = columns(follower.batches)["potential"]
            mean = float(np.mean(potential[len(potential) // 2 :]))
            require(abs(mean - LEVEL) < 0.01, "a dummy cell is held within 10 mV of the level", f"{mean:.4f} V")


@guards(9)
async def points_are_kept_until_acknowledged(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, program(block(session)))
        status = await follower.ended()
        first = follower.batches
        await refused(
            session.arm("another-run", program(block(session))), "arm is refused while points wait to be acknowledged"
        )
        again = await _replayed(session, follower, 0)
        check_batches(again, 0)
        for name, column in columns(first).items():
            same = np.array_equal(column, columns(again)[name], equal_nan=column.dtype.kind == "f")
            require(same, "points that are sent again are the same to the last bit", name)
        half = status.next // 2
        await session.acknowledge(follower.run, half)
        await session.acknowledge(follower.run, half)
        await session.acknowledge(follower.run, 0)
        rest = await _replayed(session, follower, 0)
        start = rest[0].first
        require(start <= half, "points that were not acknowledged are kept", f"the oldest sent again is {start}")
        after = check_batches(rest, start)
        require(after == status.next, "a replay goes on to the newest point", after)
        await session.acknowledge(follower.run, status.next)
        status = await session.status()
        require(status.activity is Activity.IDLE, "an ended run whose points are all acknowledged is over", status)


@guards(9)
async def points_outlast_a_connection(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, program(block(session)))
        status = await follower.ended()
        before, run = columns(follower.batches), follower.run
    async with connect() as session:
        follower = Follower(session, run)
        held = await session.status()
        require((held.run, held.boot) == (run, status.boot), "a new connection finds the run of the former one", held)
        again = columns(await _replayed(session, follower, 0))
        same = all(
            np.array_equal(before[name], again[name], equal_nan=before[name].dtype.kind == "f") for name in before
        )
        require(same, "points outlast a connection")
        await settle(session)


@guards(13)
async def a_run_may_outlast_its_host(connect: Connect) -> None:
    allowed = DeadMan(timeout=0.6, action="continue", duration=60.0)
    async with connect() as session:
        if not session.capability.dead_man:
            raise DoesNotApply("the capability says that there is no dead-man timer")
        run = (await started(session, program(block(session, 2.0), dead_man=allowed))).run
        expected = sample_count(2.0, period_of(session))
    async with connect() as session:
        follower = Follower(session, run)
        await session.replay(follower.run, 0)
        status = await follower.ended()
        contract = "a program that may go on without its host goes on"
        require(status.outcome is Outcome.COMPLETED, contract, status)
        after = check_batches(follower.batches, 0)
        require(after == expected, "a run that outlasted its host is complete", f"{after} points")
        await settle(session)


async def _replayed(session: Session, follower: Follower, first: int) -> list[Batch]:
    """Ask for everything from index `first` on and follow until it has come."""
    newest = (await session.status()).next
    known = len(follower.news)
    await session.replay(follower.run, first)
    await follower.points(newest)
    return [each for each in follower.news[known:] if isinstance(each, Batch)]
