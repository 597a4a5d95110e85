"""The look at the cell before a run: one at a time, for no method that can't run, and before each run of a sequence."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.store import Store
from luggin.protocol.payloads import Reply
from luggin.sim.models import MODELS
from support.orchestra import Played, hall
from support.voltammograms import method_of

WANTED = method_of("cyclic-voltammetry", pre_flight={}, name="cv")
STEP = {"methods": {"cv": WANTED}}


class Describing(Played):
    """An instrument that says what it can do; `unable` is why it can't run the method."""

    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self.unable: str | None = None
        self.begun = asyncio.Event()

    async def handle(self, command: ReceivedCommand) -> Reply:
        request = command.payload.request
        if command.verb == "describe":
            data = {"capability": MODELS["bench"].capability("1").model_dump(mode="json")}
            return Reply(request=request, accepted=True, data=data)
        if command.verb == "check" and self.unable is not None:
            return Reply(request=request, accepted=False, sentence=self.unable, problems=[self.unable])
        reply = await super().handle(command)
        if command.verb == "start":
            self.begun.set()
        return reply

    async def next_run(self) -> dict[str, Any]:
        await self.begun.wait()
        self.begun.clear()
        return self.runs[-1]


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "runs.sqlite", interval=0.005) as opened:
        yield opened


async def test_one_look_at_a_time(store: Store) -> None:
    session = Describing(store)
    async with hall(store, session) as it:
        asked = asyncio.create_task(it.order("start", token="fresh", method=WANTED))
        assert (await session.next_run())["technique"] == "impedance-spectroscopy"
        again = await it.order("start", token="fresh", method=WANTED)
        assert (again.accepted, "is on" in again.sentence) == (False, True)
        await session.end()
        reply = await asked
        assert (reply.accepted, reply.run, reply.request) == (True, "run-1", "request-1")
        assert [each["name"] for each in session.runs] == ["before-cv", "cv"]


async def test_a_method_that_can_not_run_is_not_looked_for(store: Store) -> None:
    session = Describing(store)
    session.unable = "requires.instrument_qualification: instrument/left has no qualification"
    async with hall(store, session) as it:
        reply = await it.order("start", token="fresh", method=WANTED)
        assert (reply.accepted, reply.problems) == (False, [session.unable])
        assert session.runs == []


async def test_in_a_sequence_each_run_has_its_look_which_is_no_run_of_the_sequence(store: Store) -> None:
    session = Describing(store)
    async with hall(store, session) as it:
        name = (await it.begin({"run": "cv", "times": 2}, **STEP)).data["sequence"]
        for turn in range(2):
            assert (await session.next_run())["name"] == "before-cv"
            await session.end()
            tags = (await session.next_run())["setup"]["tags"]
            assert f"{name}/{turn}" in tags
            await session.end()
        state = await it.becomes("Complete")
        assert (state.runs, len(session.runs)) == (2, 4)


@pytest.mark.parametrize(("verb", "status"), [("sequence-abort", "Aborted"), ("sequence-stop", "Stopped")])
async def test_a_sequence_that_is_ended_during_a_look_ends_the_look_and_starts_nothing(
    store: Store, verb: str, status: str
) -> None:
    session = Describing(store)
    async with hall(store, session) as it:
        await it.begin({"run": "cv"}, **STEP)
        await session.next_run()
        reply = await it.order(verb)
        assert reply.accepted
        await it.becomes(status)
        assert verb.partition("-")[2] in session.seen
        assert len(session.runs) == 1
