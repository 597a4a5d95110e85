"""Conformance checks of what an instrument does to the cell, and of what it must not do."""

from luggin.drivers.api import Session
from luggin.drivers.conformance_bench import (
    ENDLESS,
    LEVEL,
    Connect,
    DoesNotApply,
    block,
    check_batches,
    columns,
    new_run,
    program,
    refused,
    require,
    seconds_of,
    settle,
    started,
)
from luggin.drivers.contracts import guards
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.program import DeadMan, Ending, Limit


@guards(3)
async def arming_energises_nothing(connect: Connect) -> None:
    run = new_run()
    async with connect() as session:
        await settle(session)
        await session.arm(run, program(block(session)))
        status = await session.status()
        require(status.activity is Activity.ARMED and status.run == run, "arm leaves the program armed", status)
        require(status.cell is Cell.OFF, "arm energises nothing: the cell stays off", status.cell)
        await settle(session)


@guards(3)
async def what_it_cannot_do_is_not_armed(connect: Connect) -> None:
    run = new_run()
    async with connect() as session:
        await settle(session)
        beyond = session.capability.potential_high * 1.5
        impossible = program(block(session, None, level=beyond), potential=Limit(low=-2 * beyond, high=2 * beyond))
        await refused(session.arm(run, impossible), "a program beyond the capability is refused when it is armed")
        status = await session.status()
        require(status.activity is Activity.IDLE, "a program that was refused is not armed", status)


@guards(4)
async def start_needs_the_armed_run(connect: Connect) -> None:
    run = new_run()
    async with connect() as session:
        await settle(session)
        await refused(session.start(run), "start without an armed program is refused")
        await session.arm(run, program(block(session, ENDLESS)))
        await refused(session.start("another-run"), "start with another run id than the armed one is refused")
        status = await session.status()
        require(status.cell is Cell.OFF, "a start that was refused energises nothing", status)
        await session.start(run)
        await refused(session.start(run), "a run is started once: the second start is refused")
        await refused(session.arm("another-run", program(block(session))), "arm is refused while a program runs")
        status = await session.status()
        require(status.activity is Activity.RUNNING and status.cell is Cell.ON, "start closes the cell", status)
        await settle(session)


@guards(6)
async def cell_off_works_in_every_state(connect: Connect) -> None:
    run = new_run()
    async with connect() as session:
        await settle(session)
        await _off(session, Activity.IDLE)
        await session.arm(run, program(block(session)))
        await _off(session, Activity.ARMED)
        await refused(session.start(run), "cell-off disarms: what was armed can't be started any more")
        running = program(block(session, ENDLESS, pause="any-time"))
        follower = await started(session, running)
        await follower.points(2)
        await _off(session, Activity.RUNNING)
        status = await follower.ended()
        require(status.outcome is Outcome.OFF, "a run that cell-off ended says so", status)
        require(status.next >= 2, "cell-off keeps the points", status)
        await _off(session, Activity.ENDED)
        follower = await started(session, running)
        await session.hold()
        await follower.activity(Activity.HELD)
        await _off(session, Activity.HELD)
        follower = await started(
            session, program(block(session), ending=Ending(after_run="hold", potential=LEVEL / 2, duration=ENDLESS))
        )
        await follower.activity(Activity.AFTER_RUN)
        await _off(session, Activity.AFTER_RUN)
        await settle(session)


@guards(10)
async def hold_is_refused_where_the_program_never_pauses(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await refused(session.hold(), "hold is refused when nothing runs")
        await started(session, program(block(session, ENDLESS, pause="never")))
        await refused(session.hold(), "hold is refused where the program never allows it")
        await refused(session.unhold(), "unhold is refused when nothing is held")
        status = await session.status()
        require(status.activity is Activity.RUNNING, "a hold that was refused changes nothing", status)
        await settle(session)


@guards(10)
async def hold_and_unhold(connect: Connect) -> None:
    async with connect() as session:
        follower = await started(session, program(block(session, ENDLESS, pause="any-time")))
        await follower.points(2)
        await session.hold()
        status = await follower.activity(Activity.HELD)
        require(status.cell is Cell.ON, "while it is held the level stays applied", status.cell)
        await session.unhold()
        await follower.activity(Activity.RUNNING)
        await follower.points((await session.status()).next + 2)
        check_batches(follower.batches, 0)
        await settle(session)


@guards(11)
async def stop_carries_out_what_is_meant_for_it(connect: Connect) -> None:
    async with connect() as session:
        await settle(session)
        await refused(session.stop(), "stop is refused when nothing runs")
        blocks = (block(session, ENDLESS), block(session, None, phase=1), block(session, None, phase=2, on_stop=True))
        follower = await started(session, program(*blocks))
        await follower.points(2)
        await session.stop()
        status = await follower.ended()
        require(status.outcome is Outcome.STOPPED, "a run that was stopped says so", status)
        phases = list(dict.fromkeys(columns(follower.batches)["phase"].tolist()))
        require(phases == [0, 2], "stop carries out the blocks with on_stop, and no others", f"phases {phases}")
        require(status.cell is Cell.OFF, "the cell is off after a stop", status.cell)
        await settle(session)


@guards(11)
async def after_run_hold_is_bounded(connect: Connect) -> None:
    async with connect() as session:
        ending = Ending(after_run="hold", potential=LEVEL / 2, duration=seconds_of(session))
        follower = await started(session, program(block(session), ending=ending))
        status = await follower.activity(Activity.AFTER_RUN)
        require(status.cell is Cell.ON, "during an after-run hold the cell is on", status.cell)
        status = await follower.ended()
        require(status.outcome is Outcome.COMPLETED and status.cell is Cell.OFF, "after it the cell is off", status)
        await settle(session)


@guards(12)
async def limits_open_the_cell(connect: Connect) -> None:
    async with connect() as session:
        tight = Limit(low=-1.0, high=1.0, hard_high=LEVEL / 2)
        follower = await started(session, program(block(session, ENDLESS), potential=tight))
        status = await follower.ended()
        contract = "the instrument itself opens the cell when a limit of the program is violated"
        require(status.outcome is Outcome.LIMIT and status.cell is Cell.OFF, contract, status)
        require(status.detail != "", "it says which limit that was")
        await settle(session)


@guards(13)
async def dead_man_opens_the_cell(connect: Connect) -> None:
    async with connect() as session:
        if not session.capability.dead_man:
            raise DoesNotApply("the capability says that there is no dead-man timer")
        timeout = 0.6
        what = program(block(session, ENDLESS), dead_man=DeadMan(timeout=timeout))
        follower = await started(session, what)
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


async def _off(session: Session, state: Activity) -> None:
    """Cell-off twice in this state, each time with a receipt."""
    for _ in range(2):
        receipt = await session.cell_off()
        contract = f"cell-off is legal while the instrument is {state.value}, and again after that, with a receipt"
        require(receipt.confirmed, contract, receipt)
    status = await session.status()
    over = status.activity in (Activity.IDLE, Activity.ENDED)
    require(over and status.cell is Cell.OFF, f"cell-off ends what it finds, here {state.value}", status)
