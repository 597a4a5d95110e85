"""An interlock: only what is said again and again, and now, lets anything be energised."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from luggin.daemon import config
from luggin.daemon.interlock import Interlock
from luggin.daemon.settings import InterlockSettings
from luggin.drivers.api import Session
from luggin.protocol.instrument import Receipt
from luggin.protocol.problem import DocumentError
from support import scripted
from support.attended import METHOD, SETTINGS, attended, longer
from support.left_behind import EXECUTE, executing, left_behind

DOOR = InterlockSettings("lab/door", 5.0)


class Watched:
    def __init__(self) -> None:
        self.time = 100.0
        self.opened: list[str] = []
        self.interlock = Interlock(DOOR, lambda: self.time, self.opened.append)


def test_nothing_starts_before_it_was_heard_and_after_it_expired() -> None:
    it = Watched()
    assert it.interlock.refusal == "The interlock lab/door does not say true; nothing starts."
    it.interlock.hear(b"true", kept=False)
    assert it.interlock.refusal is None
    it.time += 5.1
    assert it.interlock.refusal is not None


def test_what_the_broker_kept_is_of_nobody_knows_when() -> None:
    it = Watched()
    it.interlock.hear(b"true", kept=True)
    assert it.interlock.refusal is not None


@pytest.mark.parametrize("said", [b"false", b"0", b"", b"yes", b"\xff\x00", b"true or so"])
def test_anything_but_true_opens_it_at_once(said: bytes) -> None:
    it = Watched()
    it.interlock.hear(b" True\n", kept=False)
    assert it.interlock.refusal is None
    it.interlock.hear(said, kept=False)
    assert it.interlock.refusal is not None
    assert it.opened == ["The interlock lab/door says that it is open."]


async def test_silence_opens_it() -> None:
    opened = asyncio.Event()
    interlock = Interlock(replace(DOOR, expires=0.02), asyncio.get_running_loop().time, lambda _: opened.set())
    task = asyncio.create_task(interlock.run())
    interlock.hear(b"1", kept=False)
    await opened.wait()
    assert interlock.refusal is not None
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_a_run_ends_when_it_opens_and_none_starts_without_it(tmp_path: Path) -> None:
    settings = replace(SETTINGS, interlock=replace(DOOR, expires=60.0))
    async with attended(tmp_path, settings=settings) as bench:
        state = await bench.ready()
        interlock = bench.instrument.interlock
        assert interlock is not None
        refused = await bench.order("start", token=state.token, method=METHOD)
        assert refused.sentence == "The interlock lab/door does not say true; nothing starts."
        interlock.hear(b"true", kept=False)
        run = await bench.start()
        interlock.hear(b"false", kept=False)
        aborted = await bench.becomes("Aborted")
        assert (aborted.cell, aborted.reason) == ("off", "The interlock lab/door says that it is open.")
        await bench.until(lambda each: each.run is None)
        result = await bench.store.result(run)
        assert result is not None
        assert result.outcome == "interlock"


class SlowOff(scripted.Instrument):
    """Its cell-off is answered when the test says so."""

    def __init__(self) -> None:
        super().__init__()
        self.answer = asyncio.Event()

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        async with super().open(timeout) as session:
            plain = session.cell_off

            async def cell_off() -> Receipt:
                await self.answer.wait()
                return await plain()

            session.cell_off = cell_off  # type: ignore[method-assign]
            yield session


async def test_it_opens_while_a_start_waits_for_the_cell(tmp_path: Path) -> None:
    """Nothing starts on what was said before something was waited for."""
    settings, driver = replace(SETTINGS, interlock=replace(DOOR, expires=60.0)), SlowOff()
    async with attended(tmp_path, driver, settings=settings, intervals=longer(cell_off=30.0)) as bench:
        state = await bench.until(lambda each: each.link == "up")
        interlock = bench.instrument.interlock
        assert interlock is not None
        interlock.hear(b"true", kept=False)
        starting = asyncio.create_task(bench.order("start", token=state.token, method=METHOD))
        await asyncio.sleep(0)
        interlock.hear(b"false", kept=False)
        driver.answer.set()
        reply = await starting
        assert reply.sentence == "The interlock lab/door does not say true; nothing starts."
        assert not reply.accepted
        assert "arm" not in driver.calls


@pytest.mark.parametrize("said", [b"false", None])
async def test_a_run_that_an_earlier_daemon_left_needs_it_too(tmp_path: Path, said: bytes | None) -> None:
    await left_behind(tmp_path, EXECUTE)
    settings = replace(SETTINGS, interlock=replace(DOOR, expires=60.0 if said else 0.2))
    async with attended(tmp_path, executing(25), settings=settings) as bench:
        interlock = bench.instrument.interlock
        assert interlock is not None
        if said is not None:
            await bench.becomes("Execute")
            interlock.hear(said, kept=False)
        state = await bench.until(lambda each: each.state == "Aborted" and each.cell == "off")
        told = "says that it is open." if said else "was not heard for 0.2 s."
        assert state.reason == f"The interlock lab/door {told}"


@pytest.mark.parametrize("topic", ["lab/+", "lab/#", "luggin/bench/status", "$SYS/uptime", ""])
def test_a_topic_that_can_not_be_one_is_refused(topic: str, tmp_path: Path) -> None:
    section = {"driver": "sim", "reference": "Ag/AgCl", "interlock": {"topic": topic, "expires": "5 s"}}
    with pytest.raises(DocumentError) as caught:
        config.parse({"instruments": {"left": section}}, tmp_path)
    assert caught.value.problems[0].field == "instruments.left.interlock.topic"
