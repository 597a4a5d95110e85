"""Plays one scenario in a laboratory within a loop, and accounts for it."""

import asyncio
import tempfile
from pathlib import Path
from random import Random
from typing import Any

from faults.account import Account, settle
from faults.laboratory import INSTRUMENT, NODE, Laboratory
from faults.paper_broker import Message
from faults.scenario import Scenario
from luggin.protocol import topics
from luggin.protocol.instrument import Cell
from luggin.protocol.payloads import InstrumentState
from support.swift_loop import Stuck, run_swiftly

LONGEST = 4000.0
"""Seconds of the loop's time after which a scenario counts as stuck."""
_PATIENCE = 900.0
_STARTS, _AGAIN = 40, 3.0


def play(scenario: Scenario, place: Path | None = None) -> Account:
    """The account of a scenario; `place` is where its files may be for a while."""
    account = Account(scenario.kind.name, scenario.seed)
    with tempfile.TemporaryDirectory(dir=place) as folder:
        try:
            run_swiftly(_play(scenario, Path(folder), account), LONGEST)
        except Stuck as error:
            account.wrong.append(str(error))
    return account


async def _play(scenario: Scenario, folder: Path, account: Account) -> None:
    random = Random(scenario.seed + 1)
    async with Laboratory(folder, scenario.settings) as lab:
        faults = asyncio.create_task(_strike(lab, scenario, random), name="fault")
        person = asyncio.create_task(_person(lab, scenario), name="person")
        try:
            await _start(lab, scenario)
            for task in (faults, person):
                await task
            if scenario.kind.final:
                await _out_of_reach(lab)
            else:
                await come_to_rest(lab)
            await asyncio.sleep(60.0)  # for the broker's backlog
            for run in await lab.daemon.store.runs(500):
                await catch_up(lab, run.run)
            state = lab.state
            confirmed = await lab.daemon.end()
        finally:
            for task in (faults, person):
                task.cancel()
            await asyncio.gather(faults, person, return_exceptions=True)
        await lab.quiet()
        _cell(lab, account, state, confirmed, scenario)
        settle(account, lab.path, lab.truth, lab.broker.received)
        account.wrong += lab.truth.overdue()
        if len(set(lab.truth.starts)) > lab.orders:
            account.wrong.append(f"{lab.orders} starts were asked for, {len(set(lab.truth.starts))} runs executed")
        if any("/command/" in topic for topic in lab.broker.kept):
            account.wrong.append("a command that the broker kept was left with it")
        if "open" in account.outcomes and not scenario.kind.final:
            account.wrong.append("a run has no result")
        # Over a line that is bad enough not even the program gets through; nothing is energised then.
        counted = account.outcomes[-1:] if scenario.kind.feeds else account.outcomes
        if scenario.must_complete and counted != ["Complete: completed"]:
            account.wrong.append(f"the run should have been complete, and it is {account.outcomes}")
        if scenario.must_complete and not scenario.kind.feeds and account.interrupted:
            account.wrong.append("the link was taken for lost though nothing was done to it")


def is_ready(state: InstrumentState) -> bool:
    return state.state == "Idle" and state.link == "up" and state.cell is Cell.OFF and bool(state.token)


async def _start(lab: Laboratory, scenario: Scenario) -> None:
    """As somebody who wants a run: until it is on."""
    for _ in range(_STARTS):
        if not await lab.until(is_ready, 120.0) or lab.state is None:
            if scenario.kind.final:
                return
            await lab.order("clear")
            continue
        reply = await lab.order("start", token=lab.state.token, method=scenario.method)
        if reply is not None and reply.accepted:
            return
        await asyncio.sleep(_AGAIN)


async def _strike(lab: Laboratory, scenario: Scenario, random: Random) -> None:
    if not scenario.kind.early:
        await lab.until(is_ready)
        await asyncio.sleep(max(0.0, scenario.moment * scenario.lasts))
    await scenario.kind.strike(lab, random)


async def _person(lab: Laboratory, scenario: Scenario) -> None:
    if scenario.person == "nobody":
        return
    await lab.until(lambda state: state.run is not None, 60.0)
    await asyncio.sleep(scenario.acts * scenario.lasts)
    match scenario.person:
        case "pauses":
            await lab.order("hold")
            if await lab.until(lambda state: state.state == "Held", 5.0) and lab.state is not None:
                await asyncio.sleep(1.0)
                await lab.order("unhold", token=lab.state.token)
        case "stops":
            await lab.order("stop")
        case "aborts":
            await lab.order("abort")


async def _out_of_reach(lab: Laboratory) -> None:
    """Until nothing more can be expected of an instrument that does not come back."""
    await lab.until(lambda state: state.run is None or state.state == "Aborting", _PATIENCE)
    await asyncio.sleep(60.0)


async def come_to_rest(lab: Laboratory) -> None:
    """Until the run is in the books and the unit is ready for the next, cleared by somebody where need be."""
    end = lab.loop.time() + _PATIENCE
    while not (lab.state is not None and lab.state.run is None and is_ready(lab.state)):
        if lab.loop.time() > end:
            raise Stuck(f"never ready again: {lab.state}")
        if lab.state is not None and lab.state.state == "Aborted" and lab.state.run is None:
            await lab.order("clear")
        await asyncio.sleep(0.5)


async def catch_up(lab: Laboratory, run: str) -> list[dict[str, Any]]:
    """What the subscriber has of a run once it has asked the store for what it missed."""
    contents = [each.content for each in lab.broker.received if _is_of(each, run)]
    got = {index for content in contents for index in _indices(content)}
    stored = await lab.daemon.store.end(run)
    gone = {index for first, after in await lab.daemon.store.gaps(run) for index in range(first, after)}
    missing = [index for index in range(stored) if index not in got | gone]
    while missing:
        reply = await lab.order("points", topics.STORE, run=run, first=missing[0], count=5000)
        assert reply is not None
        assert reply.accepted, reply
        for content in reply.data["batches"]:
            lab.broker.received.append(Message(topics.run(NODE, INSTRUMENT, run, "points"), content))
            contents.append(content)
            got |= set(_indices(content))
        before, missing = missing, [index for index in missing if index not in got]
        assert missing != before, f"the store does not answer for point {missing[0]} of {run}"
    return contents


def _is_of(message: Message, run: str) -> bool:
    return message.kind == "points" and message.content["run"] == run


def _indices(content: dict[str, Any]) -> range:
    return range(content["first"], content["first"] + content["count"])


def _cell(
    lab: Laboratory, account: Account, state: InstrumentState | None, confirmed: bool, scenario: Scenario
) -> None:
    """How the cell was left, and how long it took to get it off."""
    assert state is not None
    alarm = lab.daemon.board.entries[topics.instrument(NODE, INSTRUMENT, "alarm")]
    account.cell = "off" if confirmed else "unknown"
    if lab.truth.energised:
        account.wrong.append("the cell was left on")
    if confirmed != (lab.state is not None and lab.state.cell is Cell.OFF):
        account.wrong.append(f"the daemon ended with {confirmed}, and its last word was {lab.state}")
    if not confirmed and not (scenario.kind.final and getattr(alarm, "active", False)):
        account.wrong.append("the cell was not confirmed off though the instrument could be reached")
    wanted = sorted([*lab.aborted_at, *lab.daemon.board.aborting])
    for each in lab.truth.closed:
        until = lab.loop.time() if each.until is None else each.until
        late = [until - moment for moment in wanted if each.since <= moment <= until]
        account.cell_off = max([account.cell_off, *late])
