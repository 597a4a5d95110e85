"""What the conformance checks share: short programs for a dummy cell, and someone who follows a session's news."""

import asyncio
import secrets
from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager

import numpy as np

from luggin.drivers.api import News, Session
from luggin.drivers.errors import Refused
from luggin.protocol.instrument import Activity, Cell, Status
from luggin.protocol.points import COLUMNS, Array, Batch
from luggin.protocol.program import Block, DeadMan, Ending, Hold, Limit, Limits, Program

Connect = Callable[[], AbstractAsyncContextManager[Session]]
"""Opens a session, each time with the same instrument."""

PATIENCE = 20.0
"""Seconds after which something that should have happened has not."""
LEVEL = 0.1
"""Volts that the checks apply."""
POINTS, PERIOD = 20, 0.02
"""Points of a short run, and the time (s) from one to the next where the instrument is fast enough."""
ENDLESS = 3600.0
"""Length of a run that a check ends itself."""


class ContractBroken(AssertionError):
    """A driver or its instrument does not keep what the driver interface promises; the text says what."""


class DoesNotApply(Exception):
    """The capability says honestly that there is nothing to check; the text says what it says."""


def require(kept: bool, contract: str, found: object = "") -> None:
    """Raise ContractBroken unless `kept`."""
    if not kept:
        raise ContractBroken(contract + (f"; found: {found}" if found != "" else ""))


def period_of(session: Session) -> float:
    """Time (s) from point to point."""
    return max(PERIOD, session.capability.fastest_period)


def seconds_of(session: Session) -> float:
    """Length of a short run in s."""
    return POINTS * period_of(session)


def block(session: Session, seconds: float | None = None, **settings: object) -> Block:
    """A hold at LEVEL, as long as a short run if nothing else is said."""
    phase = settings.pop("phase", 0)
    level = settings.pop("level", LEVEL)
    seconds = seconds_of(session) if seconds is None else seconds
    segment = Hold.model_validate({"period": period_of(session), "level": level, "duration": seconds})
    return Block.model_validate({"phase": phase, "segments": (segment,), **settings})


def program(
    *blocks: Block, ending: Ending | None = None, dead_man: DeadMan | None = None, potential: Limit | None = None
) -> Program:
    """A program that is harmless to any dummy cell of 1 kohm or more."""
    return Program(
        technique="chronoamperometry",
        blocks=blocks,
        limits=Limits(potential=potential or Limit(low=-1.0, high=1.0, persistence=0.5), duration=2 * ENDLESS),
        ending=ending or Ending(),
        dead_man=dead_man or DeadMan(),
    )


def new_run() -> str:
    """A run id that no instrument has heard before."""
    return f"conformance-{secrets.token_hex(4)}"


class Follower:
    """Takes the news of one session, keeps what is of its run, and waits for what is expected in it."""

    def __init__(self, session: Session, run: str) -> None:
        self._news = aiter(session.news())
        self._allowed = 2 * (seconds_of(session) - POINTS * PERIOD)  # for an instrument that is slow
        self.run = run
        self.news: list[News] = []

    @property
    def batches(self) -> list[Batch]:
        return [each for each in self.news if isinstance(each, Batch)]

    @property
    def statuses(self) -> list[Status]:
        return [each for each in self.news if isinstance(each, Status)]

    async def until(self, done: Callable[[News], bool], contract: str) -> None:
        """Follow up to the first news for which `done` holds.  Raises ContractBroken when that takes too long."""
        patience = PATIENCE + self._allowed
        try:
            async with asyncio.timeout(patience):
                while True:
                    news = await anext(self._news)
                    if news.run != self.run:
                        continue
                    self.news.append(news)
                    if done(news):
                        return
        except TimeoutError:
            seen = [str(each.activity) for each in self.statuses] or "no status at all"
            raise ContractBroken(f"{contract}; found: not so after {patience:g} s; statuses: {seen}") from None
        except StopAsyncIteration:
            raise ContractBroken("news never ends by itself: it raises LinkLost when the connection is lost") from None

    async def ended(self) -> Status:
        """Follow to the end of the run."""
        await self.until(is_over, "a status follows when a run has ended")
        return self.statuses[-1]

    async def activity(self, activity: Activity) -> Status:
        contract = f"a status follows when the instrument is {activity.value}"
        await self.until(lambda news: isinstance(news, Status) and news.activity is activity, contract)
        return self.statuses[-1]

    async def points(self, after: int) -> None:
        """Follow until the points below index `after` have come."""
        await self.until(lambda news: isinstance(news, Batch) and news.after >= after, "points come as they are made")


def is_over(news: News) -> bool:
    return isinstance(news, Status) and news.activity in (Activity.ENDED, Activity.IDLE) and news.outcome is not None


async def settle(session: Session) -> None:
    """Bring the instrument to rest: cell off, nothing armed, no points held."""
    receipt = await session.cell_off()
    require(receipt.confirmed, "cell-off of an instrument at rest is confirmed by a read-back", receipt)
    status = await session.status()
    if status.run is not None:
        await session.acknowledge(status.run, status.next)
    status = await session.status()
    contract = "after cell-off and an acknowledgement of all points the instrument is idle and its cell off"
    require(status.activity is Activity.IDLE and status.cell is Cell.OFF, contract, status)


async def started(session: Session, what: Program) -> Follower:
    """Bring the instrument to rest, then arm and start under a new run id."""
    await settle(session)
    follower = Follower(session, new_run())
    await session.arm(follower.run, what)
    await session.start(follower.run)
    return follower


async def refused(call: Awaitable[None], contract: str) -> None:
    """The call must raise Refused."""
    try:
        await call
    except Refused:
        return
    raise ContractBroken(contract)


def columns(batches: list[Batch]) -> dict[str, Array]:
    """The batches' columns joined."""
    return {name: np.concatenate([each.columns[name] for each in batches]) for name in batches[0].columns}


def check_batches(batches: list[Batch], first: int) -> int:
    """They follow each other without gap from index `first`, well formed; returns the index after the last point."""
    after = first
    for each in batches:
        require(each.first == after, f"points are numbered without gaps: {after} is next", each.first)
        for name, column in each.columns.items():
            known = name in COLUMNS and np.dtype(COLUMNS[name].dtype) == column.dtype
            require(known, "a batch has the columns and types of luggin.protocol.points", (name, column.dtype))
        after = each.after
    if batches:
        time = columns(batches)["time"]
        require(bool((np.diff(time) > 0).all()), "the times of points grow", time)
    return after
