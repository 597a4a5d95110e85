"""Host-timed sessions on an instrument of paper: who may speak when, and what happens when something fails."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.drivers.api import Session
from luggin.drivers.conformance_bench import Follower, new_run
from luggin.drivers.errors import LinkLost, NoAnswer, NotReachable, Refused
from luggin.drivers.held_points import HeldPoints
from luggin.drivers.set_and_read import Measured, SetAndRead
from luggin.drivers.stepped import SteppedSession, attached
from luggin.drivers.stepped_memory import Memory
from luggin.protocol.capability import Capability, Identity
from luggin.protocol.instrument import Activity, Cell, Outcome, Receipt
from luggin.protocol.program import Control, DeadMan, Program
from support.bench import hold, program

CAPABILITY = Capability(
    identity=Identity(maker="m", model="m", serial="1", firmware="1"),
    segments=("hold", "ramp"),
    controls=("potential",),
    potential_low=-5,
    potential_high=5,
    compliance=10,
    current_ranges=(1e-3,),
    fastest_period=0.01,
    steepest_sweep=1,
    streamed_rate=100,
    buffer=1000,
    columns=("time", "potential", "current", "flags"),
    floating=True,
    dead_man=False,
    host_timed=True,
    largest_program=10000,
)
LONG = program(hold(0.1, 600.0, 0.01), dead_man=DeadMan(timeout=0.5))


class Paper:
    """Does what it is told and writes it down; `before` comes before each call and may fail or wait."""

    capability = CAPABILITY

    def __init__(self) -> None:
        self.on = False
        self.calls: list[str] = []
        self.before: dict[str, Callable[[], object]] = {}

    async def _call(self, name: str) -> None:
        self.calls.append(name)
        await asyncio.sleep(0)
        if name in self.before:
            found = self.before[name]()
            if asyncio.iscoroutine(found):
                await found
        self.calls.append(f"{name} done")

    async def prepare(self, program: Program) -> None:
        await self._call("prepare")

    async def apply(self, control: Control | None, level: float) -> None:
        await self._call("apply")
        self.on = True

    async def measure(self) -> Measured:
        await self._call("measure")
        return Measured(0.1, 1e-6, Cell.ON if self.on else Cell.OFF)

    async def look(self) -> Cell:
        return Cell.ON if self.on else Cell.OFF

    async def off(self) -> Receipt:
        self.on = False
        await self._call("off")
        return Receipt(Cell.OFF)


@asynccontextmanager
async def paper() -> AsyncIterator[tuple[Paper, SteppedSession]]:
    unit = Paper()
    kept: SetAndRead = unit
    async with attached(kept, Memory(0.0)) as session:
        yield unit, session


async def started(session: Session) -> Follower:
    follower = Follower(session, new_run())
    await session.arm(follower.run, LONG)
    await session.start(follower.run)
    return follower


@pytest.mark.parametrize("stage", ["prepare", "apply", "measure"])
async def test_after_a_cell_off_nothing_more_is_sent(stage: str) -> None:
    async with paper() as (unit, session):
        reached = asyncio.Event()

        async def never() -> None:
            reached.set()
            await asyncio.Event().wait()

        unit.before[stage] = never
        await session.arm("run", LONG)
        starting = asyncio.create_task(session.start("run"))
        await reached.wait()
        assert (await session.cell_off()).confirmed
        if stage == "measure":
            await starting
        else:
            with pytest.raises(NoAnswer, match="overtaken"):
                await starting
        assert unit.calls[-3:] == [stage, "off", "off done"]
        status = await session.status()
        assert (status.activity, status.outcome, status.cell) == (Activity.ENDED, Outcome.OFF, Cell.OFF)


async def test_a_host_that_was_held_up_lets_the_cell_go() -> None:
    async with paper() as (unit, session):
        follower = await started(session)
        await follower.points(2)
        time.sleep(0.7)  # noqa: ASYNC251 (the whole program stands still, as one that swaps)
        status = await follower.ended()
        assert status.outcome is Outcome.DEAD_MAN
        assert "held up" in status.detail
        assert not unit.on


async def test_what_nobody_foresaw_ends_the_run_and_is_not_swallowed() -> None:
    def fail() -> None:
        raise ZeroDivisionError("a defect")

    async def run() -> None:
        async with paper() as (unit, session):
            unit.before["measure"] = fail
            status = await (await started(session)).ended()
            assert (status.outcome, status.cell) == (Outcome.FAULT, Cell.OFF)
            assert not unit.on

    with pytest.raises(ZeroDivisionError, match="a defect"):
        await run()


async def test_a_lost_line_is_told_to_everybody() -> None:
    def lose() -> None:
        raise LinkLost("the line was lost")

    async with paper() as (unit, session):
        follower = await started(session)
        await follower.points(2)
        unit.before["measure"] = unit.before["off"] = lose
        with pytest.raises(LinkLost):
            await follower.points(1000)
        with pytest.raises(LinkLost):
            await session.status()
        with pytest.raises(LinkLost):
            await session.cell_off()


async def test_closing_ends_the_run_and_keeps_what_it_made() -> None:
    unit, memory = Paper(), Memory(0.0)
    async with attached(unit, memory) as session:
        follower = await started(session)
        await follower.points(3)
        with pytest.raises(NotReachable, match="another session"):
            async with attached(unit, memory):
                pass
    assert not unit.on
    async with attached(unit, memory) as session:
        status = await session.status()
        assert (status.activity, status.outcome) == (Activity.ENDED, Outcome.DEAD_MAN)
        again = Follower(session, follower.run)
        await session.replay(follower.run, 0)
        await again.ended()
        assert again.batches[0].first == 0
        assert again.batches[-1].after == status.next


async def test_a_request_for_a_run_that_just_ended_is_refused() -> None:
    async with paper() as (unit, session):
        await started(session)
        unit.before["measure"] = lambda: asyncio.Event().wait()
        asking = asyncio.create_task(session.stop())
        await asyncio.sleep(0)
        await session.cell_off()
        with pytest.raises(Refused, match="nothing runs"):
            await asking


@given(st.lists(st.one_of(st.just("point"), st.integers(0, 30)), max_size=40))
def test_points_are_kept_until_they_are_forgotten_or_there_is_no_room(steps: list[str | int]) -> None:
    """Against a plain list; a number forgets the points below it."""
    held, made, oldest = HeldPoints("run", "boot", 5, ("time", "current")), 0, 0
    lost = 0
    for step in steps:
        if step == "point":
            held.append({"time": float(made), "current": 2.0 * made, "potential": 0.0})
            made += 1
            if made - oldest > 5:
                oldest, lost = oldest + 1, lost + 1
        elif isinstance(step, int):
            held.forget(step)
            oldest = max(oldest, min(step, made))
        assert (held.oldest, held.next, held.lost) == (oldest, made, lost)
        if made > oldest:
            batch = held.batch(oldest, made)
            assert batch.first == oldest
            assert batch.columns["time"].tolist() == list(range(oldest, made))
            assert batch.columns["current"].tolist() == [2.0 * each for each in range(oldest, made)]
