"""The checks that every driver passes, ours or a third party's.

Connect a dummy cell first: a resistor of 1 kohm to 100 kohm between the working electrode and the counter and reference
electrodes joined.  **Never run these checks with anything else connected**: they energise the cell at 0.1 V.

    for check in CHECKS:
        await check(connect)

`connect` opens a session, each time with the same instrument.  A check that finds a promise of `luggin.drivers.api`
broken raises ContractBroken and says which.  All of them together take about a minute.
"""

from collections.abc import Awaitable, Callable

import numpy as np

from luggin.drivers.api import Session
from luggin.drivers.conformance_bench import (
    ENDLESS,
    LEVEL,
    PERIOD,
    SECONDS,
    Connect,
    ContractBroken,
    Follower,
    block,
    check_batches,
    columns,
    program,
    refused,
    require,
    settle,
    started,
)
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.points import COLUMNS, Batch
from luggin.protocol.program import DeadMan, Ending, Limit, sample_count

__all__ = ["CHECKS", "Check", "Connect", "ContractBroken"]

Check = Callable[[Connect], Awaitable[None]]
RUN = "conformance"


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


async def reading_tells_of_the_cell(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        before, after = await session.read(), await session.read()
        require(before.cell is Cell.OFF, "a reading says what the relay's read-back says", before)
        require(after.clock > before.clock, "the instrument's clock goes on", (before.clock, after.clock))


async def arming_energises_nothing(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await session.arm(RUN, program(block(SECONDS)))
        status = await session.status()
        require(status.activity is Activity.ARMED and status.run == RUN, "arm leaves the program armed", status)
        require(status.cell is Cell.OFF, "arm energises nothing: the cell stays off", status.cell)
        await settle(session)


async def what_it_cannot_do_is_not_armed(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        beyond = session.capability.potential_high * 1.5
        impossible = program(block(SECONDS, level=beyond), potential=Limit(low=-2 * beyond, high=2 * beyond))
        await refused(session.arm(RUN, impossible), "a program beyond the capability is refused when it is armed")
        status = await session.status()
        require(status.activity is Activity.IDLE, "a program that was refused is not armed", status)


async def start_needs_the_armed_run(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await refused(session.start(RUN), "start without an armed program is refused")
        await session.arm(RUN, program(block(ENDLESS)))
        await refused(session.start("another-run"), "start with another run id than the armed one is refused")
        status = await session.status()
        require(status.cell is Cell.OFF, "a start that was refused energises nothing", status)
        await session.start(RUN)
        await refused(session.start(RUN), "a run is started once: the second start is refused")
        await refused(session.arm("another-run", program(block(SECONDS))), "arm is refused while a program runs")
        status = await session.status()
        require(status.activity is Activity.RUNNING and status.cell is Cell.ON, "start closes the cell", status)
        await settle(session)


async def points_come_complete_and_before_the_end(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, RUN, program(block(SECONDS)))
        status = await follower.ended()
        require(status.outcome is Outcome.COMPLETED, "a program that went through is completed", status)
        require(status.cell is Cell.OFF, "the cell is off after the last segment", status.cell)
        after = check_batches(follower.batches, RUN, 0)
        contract = "the last batch of a run comes before the status that says it ended"
        require(after == status.next, contract, f"{after} points came, {status.next} were made")
        expected = sample_count(SECONDS, PERIOD)
        require(after == expected, f"{SECONDS} s with a point each {PERIOD} s make {expected} points", after)
        found = set(follower.batches[0].columns) - set(session.capability.columns)
        require(not found, "batches have no columns that the capability doesn't name", found)
        if "potential" in follower.batches[0].columns:
            potential = columns(follower.batches)["potential"]
            mean = float(np.mean(potential[len(potential) // 2 :]))
            require(abs(mean - LEVEL) < 0.01, "a dummy cell is held within 10 mV of the level", f"{mean:.4f} V")


async def points_are_kept_until_acknowledged(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, RUN, program(block(SECONDS)))
        status = await follower.ended()
        first = follower.batches
        await refused(
            session.arm("another-run", program(block(SECONDS))), "arm is refused while points wait to be acknowledged"
        )
        again = await _replayed(session, follower, 0)
        check_batches(again, RUN, 0)
        for name, column in columns(first).items():
            same = np.array_equal(column, columns(again)[name], equal_nan=column.dtype.kind == "f")
            require(same, "points that are sent again are the same to the last bit", name)
        half = status.next // 2
        await session.acknowledge(RUN, half)
        await session.acknowledge(RUN, half)
        await session.acknowledge(RUN, 0)
        rest = await _replayed(session, follower, 0)
        start = rest[0].first
        require(start <= half, "points that were not acknowledged are kept", f"the oldest sent again is {start}")
        after = check_batches(rest, RUN, start)
        require(after == status.next, "a replay goes on to the newest point", after)
        await session.acknowledge(RUN, status.next)
        status = await session.status()
        require(status.activity is Activity.IDLE, "an ended run whose points are all acknowledged is over", status)


async def points_outlast_a_connection(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, RUN, program(block(SECONDS)))
        status = await follower.ended()
        before = columns(follower.batches)
    async with connect() as session:
        follower = Follower(session)
        held = await session.status()
        require((held.run, held.boot) == (RUN, status.boot), "a new connection finds the run of the former one", held)
        again = columns(await _replayed(session, follower, 0))
        same = all(
            np.array_equal(before[name], again[name], equal_nan=before[name].dtype.kind == "f") for name in before
        )
        require(same, "points outlast a connection")
        await settle(session)


async def opening_changes_nothing(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await session.arm(RUN, program(block(ENDLESS)))
    async with connect() as session:
        status = await session.status()
        contract = "opening and closing a connection leave an armed program armed"
        require(status.activity is Activity.ARMED and status.run == RUN, contract, status)
        follower = Follower(session)
        await session.start(RUN)
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
        follower = Follower(session)
        await session.replay(RUN, 0)
        await follower.points(before.next)
        check_batches(follower.batches, RUN, 0)
        await settle(session)


async def cell_off_works_in_every_state(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await _off(session, Activity.IDLE)
        await session.arm(RUN, program(block(SECONDS)))
        await _off(session, Activity.ARMED)
        await refused(session.start(RUN), "cell-off disarms: what was armed can't be started any more")
        running = program(block(ENDLESS, pause="any-time"))
        follower = await started(session, RUN, running)
        await follower.points(2)
        await _off(session, Activity.RUNNING)
        status = await follower.ended()
        require(status.outcome is Outcome.OFF, "a run that cell-off ended says so", status)
        require(status.next >= 2, "cell-off keeps the points", status)
        await _off(session, Activity.ENDED)
        follower = await started(session, RUN, running)
        await session.hold()
        await follower.activity(Activity.HELD)
        await _off(session, Activity.HELD)
        follower = await started(session, RUN, program(block(SECONDS), ending=_AFTER_RUN))
        await follower.activity(Activity.AFTER_RUN)
        await _off(session, Activity.AFTER_RUN)
        await settle(session)


async def hold_is_refused_where_the_program_never_pauses(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await refused(session.hold(), "hold is refused when nothing runs")
        await started(session, RUN, program(block(ENDLESS, pause="never")))
        await refused(session.hold(), "hold is refused where the program never allows it")
        await refused(session.unhold(), "unhold is refused when nothing is held")
        status = await session.status()
        require(status.activity is Activity.RUNNING, "a hold that was refused changes nothing", status)
        await settle(session)


async def hold_and_unhold(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, RUN, program(block(ENDLESS, pause="any-time")))
        await follower.points(2)
        await session.hold()
        status = await follower.activity(Activity.HELD)
        require(status.cell is Cell.ON, "while it is held the level stays applied", status.cell)
        await session.unhold()
        await follower.activity(Activity.RUNNING)
        await follower.points((await session.status()).next + 2)
        check_batches(follower.batches, RUN, 0)
        await settle(session)


async def stop_carries_out_what_is_meant_for_it(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await refused(session.stop(), "stop is refused when nothing runs")
        blocks = (block(ENDLESS), block(SECONDS, phase=1), block(SECONDS, phase=2, on_stop=True))
        follower = await started(session, RUN, program(*blocks))
        await follower.points(2)
        await session.stop()
        status = await follower.ended()
        require(status.outcome is Outcome.STOPPED, "a run that was stopped says so", status)
        phases = list(dict.fromkeys(columns(follower.batches)["phase"].tolist()))
        require(phases == [0, 2], "stop carries out the blocks with on_stop, and no others", f"phases {phases}")
        require(status.cell is Cell.OFF, "the cell is off after a stop", status.cell)
        await settle(session)


async def after_run_hold_is_bounded(connect: Connect) -> None:
    async with connect() as session:
        ending = Ending(after_run="hold", potential=LEVEL / 2, duration=SECONDS)
        follower = await started(session, RUN, program(block(SECONDS), ending=ending))
        status = await follower.activity(Activity.AFTER_RUN)
        require(status.cell is Cell.ON, "during an after-run hold the cell is on", status.cell)
        status = await follower.ended()
        require(status.outcome is Outcome.COMPLETED and status.cell is Cell.OFF, "after it the cell is off", status)
        await settle(session)


async def limits_open_the_cell(connect: Connect) -> None:
    async with connect() as session:
        tight = Limit(low=-1.0, high=1.0, hard_high=LEVEL / 2)
        follower = await started(session, RUN, program(block(ENDLESS), potential=tight))
        status = await follower.ended()
        contract = "the instrument itself opens the cell when a limit of the program is violated"
        require(status.outcome is Outcome.LIMIT and status.cell is Cell.OFF, contract, status)
        require(status.detail != "", "it says which limit that was")
        await settle(session)


async def dead_man_opens_the_cell(connect: Connect) -> None:
    async with connect() as session:
        if not session.capability.dead_man:
            return
        timeout = 0.6
        what = program(block(ENDLESS), dead_man=DeadMan(timeout=timeout))
        follower = await started(session, RUN, what)
        begun = (await session.status()).clock
        clock = begun
        while clock < begun + 2 * timeout:
            await session.keep_alive()
            status = await session.status()
            clock = status.clock
            contract = "while keep-alives come the run goes on, beyond the dead-man timer's timeout"
            require(status.activity is Activity.RUNNING, contract, status)
        silent = clock
        while (status := await session.status()).activity is Activity.RUNNING:
            contract = "only keep_alive feeds the dead-man timer, never other traffic or the driver by itself"
            require(status.clock < silent + 2 * timeout + 0.5, contract, f"silence {status.silence:.2f} s")
        require(status.outcome is Outcome.DEAD_MAN, "a run that the dead-man timer ended says so", status)
        require(status.cell is Cell.OFF, "the dead-man timer opens the cell", status.cell)
        await follower.ended()
        await settle(session)


async def a_run_may_outlast_its_host(connect: Connect) -> None:
    allowed = DeadMan(timeout=0.6, action="continue", duration=60.0)
    async with connect() as session:
        if not session.capability.dead_man:
            return
        await started(session, RUN, program(block(2.0), dead_man=allowed))
    async with connect() as session:
        follower = Follower(session)
        await session.replay(RUN, 0)
        status = await follower.ended()
        contract = "a program that may go on without its host goes on"
        require(status.outcome is Outcome.COMPLETED, contract, status)
        after = check_batches(follower.batches, RUN, 0)
        require(after == sample_count(2.0, PERIOD), "a run that outlasted its host is complete", f"{after} points")
        await settle(session)


_AFTER_RUN = Ending(after_run="hold", potential=LEVEL / 2, duration=ENDLESS)

CHECKS: tuple[Check, ...] = (
    capability_makes_sense,
    reading_tells_of_the_cell,
    arming_energises_nothing,
    what_it_cannot_do_is_not_armed,
    start_needs_the_armed_run,
    points_come_complete_and_before_the_end,
    points_are_kept_until_acknowledged,
    points_outlast_a_connection,
    opening_changes_nothing,
    cell_off_works_in_every_state,
    hold_is_refused_where_the_program_never_pauses,
    hold_and_unhold,
    stop_carries_out_what_is_meant_for_it,
    after_run_hold_is_bounded,
    limits_open_the_cell,
    dead_man_opens_the_cell,
    a_run_may_outlast_its_host,
)


async def _off(session: Session, state: Activity) -> None:
    """Cell-off twice in this state, each time with a receipt."""
    for _ in range(2):
        receipt = await session.cell_off()
        contract = f"cell-off is legal while the instrument is {state.value}, and again after that, with a receipt"
        require(receipt.confirmed, contract, receipt)
    status = await session.status()
    over = status.activity in (Activity.IDLE, Activity.ENDED)
    require(over and status.cell is Cell.OFF, f"cell-off ends what it finds, here {state.value}", status)


async def _replayed(session: Session, follower: Follower, first: int) -> list[Batch]:
    """Ask for everything from index `first` on and follow until it has come."""
    newest = (await session.status()).next
    known = len(follower.news)
    await session.replay(RUN, first)
    await follower.points(newest)
    return [each for each in follower.news[known:] if isinstance(each, Batch)]
