"""The look at the cell before a run: off is obeyed between the look and the run, too."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.store import Store
from support.orchestra import Hall, hall
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


async def test_a_look_that_is_stopped_starts_nothing(store: Store) -> None:
    async with hall(store) as it:
        starting = asyncio.create_task(it.order("start", token="fresh", method=WANTED))
        await looking(it, store, 1)
        assert (await it.order("stop")).accepted
        reply = await starting
        assert not reply.accepted
        assert "ended Stopped" in reply.sentence
