"""The look at the cell before a run: off is obeyed between the look and the run, too."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.store import Store
from luggin.protocol.payloads import Reply
from support.orchestra import Hall, Played, hall
from support.sequences import METHOD

WANTED: dict[str, Any] = {**METHOD, "pre_flight": {}}


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "runs.sqlite", interval=0.005) as opened:
        yield opened


async def looking(it: Hall, store: Store, runs: int) -> None:
    serial = -1
    while len(it.session.runs) < runs:
        serial = await store.changed(serial)


async def test_the_method_follows_a_look_that_found_nothing_wrong(store: Store) -> None:
    async with hall(store) as it:
        starting = asyncio.create_task(it.order("start", token="fresh", method=WANTED))
        await looking(it, store, 1)
        assert it.session.runs[0]["name"] == "before-paracetamol-dpv"
        await it.session.end()
        reply = await starting
        assert (reply.accepted, reply.run) == (True, "run-1")
        assert it.session.runs[1]["name"] == "paracetamol-dpv"


@pytest.mark.parametrize("verb", ["stop", "abort"])
async def test_off_between_the_look_and_the_method_keeps_the_method_from_starting(store: Store, verb: str) -> None:
    async with hall(store) as it:
        starting = asyncio.create_task(it.order("start", token="fresh", method=WANTED))
        await looking(it, store, 1)
        await it.session.end(evaluated=False)  # the cell is off, and the look is being evaluated
        off = await it.order(verb)
        assert off.accepted
        assert "The method that was to follow is called off." in off.sentence
        await store.evaluated("run-0")
        reply = await starting
        assert not reply.accepted
        assert reply.sentence == "anna called it off; the method was not started."
        assert len(it.session.runs) == 1


class Pondering(Played):
    """Takes its time to say what it can do."""

    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self.asked, self.answer = asyncio.Event(), asyncio.Event()

    async def handle(self, command: ReceivedCommand) -> Reply:
        if command.verb == "describe":
            self.asked.set()
            await self.answer.wait()
        return await super().handle(command)


async def test_off_before_the_look_keeps_the_look_from_starting(store: Store) -> None:
    session = Pondering(store)
    async with hall(store, session) as it:
        starting = asyncio.create_task(it.order("start", token="fresh", method=WANTED))
        await session.asked.wait()
        assert (await it.order("stop")).accepted
        assert session.records[-1] == ("stop", True)
        session.answer.set()
        reply = await starting
        assert (reply.accepted, reply.sentence) == (False, "anna called it off; the method was not started.")
        assert session.runs == []


async def test_a_look_that_is_stopped_starts_nothing(store: Store) -> None:
    async with hall(store) as it:
        starting = asyncio.create_task(it.order("start", token="fresh", method=WANTED))
        await looking(it, store, 1)
        assert (await it.order("stop")).accepted
        reply = await starting
        assert not reply.accepted
        assert "ended Stopped" in reply.sentence
