"""The checks that every driver passes, ours or a third party's.

Connect a dummy cell first: a resistor of 1 kohm to 100 kohm between the working electrode and the counter and reference
electrodes joined.  **Never run these checks with anything else connected**: they energise the cell at 0.1 V.

    for check in CHECKS:
        await carry_out(check, connect)

`connect` opens a session, each time with the same instrument.  A check that finds a promise of `luggin.drivers.api`
broken raises ContractBroken, which names the contract (`luggin.drivers.contracts`) and says what was found.  A check
that has nothing to check raises DoesNotApply with what the capability says.  All of them together take less than a
minute where points come each 20 ms, and longer with a slower instrument.  `luggin.drivers.conformance_plugin` makes a
test of pytest out of each.
"""

from collections.abc import Awaitable, Callable

from luggin.drivers import conformance_connection as connection
from luggin.drivers import conformance_control as control
from luggin.drivers import conformance_data as data
from luggin.drivers.conformance_bench import Connect, ContractBroken, DoesNotApply
from luggin.drivers.contracts import CONTRACTS, contract_of

__all__ = ["CHECKS", "Check", "Connect", "ContractBroken", "DoesNotApply", "carry_out"]

Check = Callable[[Connect], Awaitable[None]]

CHECKS: tuple[Check, ...] = (
    data.capability_makes_sense,
    data.reading_tells_of_the_cell,
    control.arming_energises_nothing,
    control.what_it_cannot_do_is_not_armed,
    control.start_needs_the_armed_run,
    data.points_come_complete_and_before_the_end,
    data.points_are_kept_until_acknowledged,
    data.points_outlast_a_connection,
    connection.opening_leaves_what_is_armed,
    connection.opening_leaves_what_runs,
    connection.closing_ends_what_the_host_times,
    control.cell_off_works_in_every_state,
    connection.a_start_that_cell_off_overtook_is_never_sent,
    control.hold_is_refused_where_the_program_never_pauses,
    control.hold_and_unhold,
    control.stop_carries_out_what_is_meant_for_it,
    control.after_run_hold_is_bounded,
    control.limits_open_the_cell,
    control.dead_man_opens_the_cell,
    data.a_run_may_outlast_its_host,
)


async def carry_out(check: Check, connect: Connect) -> None:
    """Carry out one check and, whatever it finds, leave the cell off.  Raises ContractBroken and DoesNotApply."""
    try:
        await check(connect)
    except ContractBroken as broken:
        number = contract_of(check)
        raise ContractBroken(f"contract {number} is broken: {CONTRACTS[number]}\nchecked here: {broken}") from None
    finally:
        async with connect() as session:
            await session.cell_off()
