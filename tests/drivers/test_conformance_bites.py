"""The conformance checks find what is wrong: sessions that break one promise each."""

import inspect
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from importlib import resources
from typing import Any

import pytest

from luggin.drivers import conformance, conformance_bench
from luggin.drivers import conformance_connection as connection
from luggin.drivers import conformance_control as control
from luggin.drivers import conformance_data as data
from luggin.drivers.api import News, Session
from luggin.drivers.conformance import Check, Connect, ContractBroken
from luggin.drivers.contracts import CONTRACTS, contract_of
from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Activity, Cell, Outcome, Receipt, Status
from luggin.protocol.points import Batch
from luggin.protocol.program import Program
from luggin.sim.driver import SimDriver


class Faithful:
    """A session that hands everything on; each of the others below keeps one promise less."""

    def __init__(self, session: Session) -> None:
        self.session = session

    def __getattr__(self, name: str) -> Any:
        return getattr(self.session, name)


def _handed_on(name: str) -> property:
    return property(lambda self: getattr(self.session, name))


# From Python 3.12 on a runtime protocol looks for attributes that are really there.
for _name in (each for each in vars(Session) if not each.startswith("_")):
    setattr(Faithful, _name, _handed_on(_name))


class UnconfirmedOff(Faithful):
    async def cell_off(self) -> Receipt:
        await self.session.cell_off()
        return Receipt(Cell.UNKNOWN)


class OffThatLeavesItArmed(Faithful):
    armed: Callable[[], Awaitable[None]] | None = None

    async def arm(self, run: str, program: Program) -> None:
        await self.session.arm(run, program)
        self.armed = lambda: self.session.arm(run, program)

    async def cell_off(self) -> Receipt:
        was_armed = (await self.session.status()).activity is Activity.ARMED
        receipt = await self.session.cell_off()
        if was_armed and self.armed is not None:
            await self.armed()
        return receipt


class StartsWhateverIsArmed(Faithful):
    async def start(self, run: str) -> None:
        armed = (await self.session.status()).run
        await self.session.start(armed or run)


class StartsWhenArmed(Faithful):
    async def arm(self, run: str, program: Program) -> None:
        await self.session.arm(run, program)
        await self.session.start(run)


class EndsBeforeTheLastBatch(Faithful):
    async def news(self) -> AsyncIterator[News]:
        held_back: News | None = None
        async for each in self.session.news():
            if isinstance(each, Batch):
                if held_back is not None:
                    yield held_back
                held_back = each
                continue
            yield each


class SkipsPoints(Faithful):
    async def news(self) -> AsyncIterator[News]:
        async for each in self.session.news():
            cut = each.cut(each.first + 1, each.after) if isinstance(each, Batch) and each.count > 1 else each
            if cut is not None:
                yield cut


class ReplaysOtherValues(Faithful):
    replayed = False

    async def replay(self, run: str, first: int) -> None:
        self.replayed = True
        await self.session.replay(run, first)

    async def news(self) -> AsyncIterator[News]:
        async for each in self.session.news():
            if self.replayed and isinstance(each, Batch):
                each = replace(each, columns={name: column * 2 for name, column in each.columns.items()})
            yield each


class ForgetsTooMuch(Faithful):
    async def acknowledge(self, run: str, after: int) -> None:
        status = await self.session.status()
        await self.session.acknowledge(run, status.next)


class HoldsEverywhere(Faithful):
    async def hold(self) -> None:
        pass


class StopsWithoutEnding(Faithful):
    async def stop(self) -> None:
        await self.session.cell_off()


class FeedsTheTimerItself(Faithful):
    async def status(self) -> Status:
        await self.session.keep_alive()
        return await self.session.status()


class NeverFeedsTheTimer(Faithful):
    async def keep_alive(self) -> None:
        pass


class ResetsOnOpening(Faithful):
    pass


class SendsTheStartLate(Faithful):
    """A start that waited below its cell-off goes out behind it."""

    program: Program | None = None
    starting = False

    async def arm(self, run: str, program: Program) -> None:
        self.program = program
        await self.session.arm(run, program)

    async def start(self, run: str) -> None:
        self.starting = True
        await self.session.start(run)
        self.starting = False

    async def cell_off(self) -> Receipt:
        receipt = await self.session.cell_off()
        if self.starting and self.program is not None:
            self.starting = False
            await self.session.arm("late", self.program)
            await self.session.start("late")
        return receipt


class PointsOfAnUnwatchedRun(Faithful):
    """Says that the host times it, and goes on without it."""

    @property
    def capability(self) -> Capability:
        return self.session.capability.model_copy(update={"host_timed": True})


class LimitsMeanNothing(Faithful):
    async def arm(self, run: str, program: Program) -> None:
        wide = program.limits.potential.model_copy(update={"hard_high": None})
        limits = program.limits.model_copy(update={"potential": wide})
        await self.session.arm(run, program.model_copy(update={"limits": limits}))


class UnknownColumns(Faithful):
    @property
    def capability(self) -> Capability:
        return self.session.capability.model_copy(update={"columns": ("time", "charm")})


class SaysCompleted(Faithful):
    async def news(self) -> AsyncIterator[News]:
        async for each in self.session.news():
            if isinstance(each, Status) and each.outcome is not None:
                each = replace(each, outcome=Outcome.COMPLETED)
            yield each


def bench(kind: type[Faithful]) -> Connect:
    driver = SimDriver.parse({"cell": "dummy-resistor", "speed": 4.0})

    @asynccontextmanager
    async def connect() -> AsyncIterator[Session]:
        async with driver.open(5.0) as session:
            if kind is ResetsOnOpening:
                await session.cell_off()
            broken: Any = kind(session)
            yield broken

    return connect


BROKEN: tuple[tuple[type[Faithful], Check, str], ...] = (
    (UnconfirmedOff, control.cell_off_works_in_every_state, "confirmed by a read-back"),
    (OffThatLeavesItArmed, control.cell_off_works_in_every_state, "here armed|instrument is idle"),
    (StartsWhateverIsArmed, control.start_needs_the_armed_run, "another run id than the armed one is refused"),
    (StartsWhenArmed, control.arming_energises_nothing, "arm leaves the program armed"),
    (EndsBeforeTheLastBatch, data.points_come_complete_and_before_the_end, "last batch of a run comes before"),
    (SkipsPoints, data.points_come_complete_and_before_the_end, "numbered without gaps"),
    (ReplaysOtherValues, data.points_are_kept_until_acknowledged, "same to the last bit"),
    (ForgetsTooMuch, data.points_are_kept_until_acknowledged, "were not acknowledged are kept|as they are made"),
    (HoldsEverywhere, control.hold_is_refused_where_the_program_never_pauses, "hold is refused when nothing runs"),
    (StopsWithoutEnding, control.stop_carries_out_what_is_meant_for_it, "stop is refused when nothing runs"),
    (FeedsTheTimerItself, control.dead_man_opens_the_cell, "only keep_alive feeds the dead-man timer"),
    (NeverFeedsTheTimer, control.dead_man_opens_the_cell, "while keep-alives come the run goes on"),
    (ResetsOnOpening, connection.opening_leaves_what_is_armed, "leave an armed program armed"),
    (SendsTheStartLate, connection.a_start_that_cell_off_overtook_is_never_sent, "energises nothing later"),
    (PointsOfAnUnwatchedRun, connection.closing_ends_what_the_host_times, "nobody times any more"),
    (LimitsMeanNothing, control.limits_open_the_cell, "a status follows when a run has ended"),
    (UnknownColumns, data.capability_makes_sense, "columns have the names"),
    (SaysCompleted, control.limits_open_the_cell, "opens the cell when a limit"),
)


@pytest.mark.parametrize(("kind", "check", "told"), BROKEN, ids=[kind.__name__ for kind, _, _ in BROKEN])
async def test_what_is_broken_is_found(
    kind: type[Faithful], check: Check, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(conformance_bench, "PATIENCE", 0.5)
    with pytest.raises(ContractBroken, match=told):
        await check(bench(kind))


async def test_a_failure_names_its_contract(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(conformance_bench, "PATIENCE", 0.2)
    with pytest.raises(ContractBroken, match=r"contract 12 is broken: The cell is let go .*\nchecked here: a status"):
        await conformance.carry_out(control.limits_open_the_cell, bench(LimitsMeanNothing))


async def test_the_cell_is_off_after_a_check_that_failed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(conformance_bench, "PATIENCE", 0.2)
    connect = bench(LimitsMeanNothing)
    with pytest.raises(ContractBroken):
        await conformance.carry_out(control.limits_open_the_cell, connect)
    async with connect() as session:
        assert (await session.status()).cell is Cell.OFF


def test_every_check_is_listed() -> None:
    """A public coroutine function of the three modules is a check, and guards a contract that there is."""
    found = {
        each
        for module in (data, control, connection)
        for name, each in vars(module).items()
        if inspect.iscoroutinefunction(each) and each.__module__ == module.__name__ and not name.startswith("_")
    }
    assert found == set(conformance.CHECKS)
    assert len(conformance.CHECKS) == len(found)
    assert {contract_of(check) for check in found} == set(CONTRACTS)
    page = " ".join(resources.files("luggin.drivers").joinpath("DRIVERS.md").read_text().split())
    assert [number for number, sentence in CONTRACTS.items() if f"{number}. {sentence}" not in page] == []
