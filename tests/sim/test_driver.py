"""The bundled driver `sim`."""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import numpy as np
import pytest

from luggin.drivers.api import Driver, Session
from luggin.drivers.errors import LinkLost, NotReachable, SettingsError
from luggin.protocol.instrument import Activity, Cell, Outcome, Status
from luggin.protocol.points import Batch
from luggin.protocol.program import DeadMan
from luggin.sim.driver import SimDriver
from support.bench import RUN, Bench, hold, program


def driver(**settings: Any) -> SimDriver:
    return SimDriver.parse({"cell": "dummy-r-rc", "speed": 100.0, **settings})


async def news_until_end(session: Session) -> AsyncIterator[Batch]:
    async for news in session.news():
        if isinstance(news, Batch):
            yield news
        elif isinstance(news, Status) and news.activity is Activity.ENDED:
            return


async def test_it_is_a_driver_whose_points_are_those_of_the_bench() -> None:
    made: Driver = driver(seed=4)
    wanted = program(hold(0.1, 5.0, 0.01))
    assert made.address == "simulated instrument with cell dummy-r-rc"
    async with made.open(3.0) as session:
        await session.arm(RUN, wanted)
        await session.start(RUN)
        batches = [batch async for batch in news_until_end(session)]
    expected = Bench(seed=4, speed=1e5).run(wanted)
    for name, column in expected.items():
        assert np.concatenate([batch.columns[name] for batch in batches]).tobytes() == column.tobytes()


async def test_the_instrument_outlasts_its_sessions() -> None:
    made = driver()
    async with made.open(3.0) as session:
        await session.arm(RUN, program(hold(0.1, 1e4, 1.0)))
        await session.start(RUN)
        before = await session.status()
    async with made.open(3.0) as session:
        after = await session.status()
        assert (after.boot, after.run) == (before.boot, RUN)
        assert after.activity is Activity.RUNNING
        assert after.cell is Cell.ON
        assert (await session.cell_off()).confirmed


async def test_what_happened_between_sessions_happened_in_time() -> None:
    made = driver(speed=20.0)
    async with made.open(3.0) as session:
        await session.arm(RUN, program(hold(0.1, 1e4, 1.0), dead_man=DeadMan(timeout=0.5)))
        await session.start(RUN)
    await asyncio.sleep(0.7)  # nobody is there to say that all is well; real time is what this is about
    async with made.open(3.0) as session:
        while (status := await session.status()).activity is Activity.RUNNING:
            pass  # it computes what it missed, slice by slice
        assert status.outcome is Outcome.DEAD_MAN
        assert status.run_time == pytest.approx(10.0, abs=0.11)


async def test_one_session_at_a_time() -> None:
    made = driver()
    async with made.open(3.0):
        with pytest.raises(NotReachable, match="another session has it"):
            async with made.open(3.0):
                pass
    async with made.open(3.0) as session:
        assert (await session.status()).activity is Activity.IDLE


async def test_a_dropped_line_is_lost_and_opens_again() -> None:
    made = driver()
    async with made.open(3.0) as session:
        made.fault("drop")
        with pytest.raises(LinkLost):
            await anext(session.news())
    async with made.open(3.0) as session:
        assert (await session.status()).activity is Activity.IDLE


async def test_faults_may_be_scripted_in_the_settings() -> None:
    made = driver(faults=["relay-mute"])
    async with made.open(3.0) as session:
        assert (await session.cell_off()).cell is Cell.UNKNOWN
        made.fault("relay-sound")
        assert (await session.cell_off()).confirmed


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"cell": "no-such-cell"}, "cell = 'no-such-cell': no such cell; known are"),
        ({"cell": "/no/such/file.toml"}, "cell = '/no/such/file.toml': can't be read"),
        ({"speed": 0}, "speed = 0: input should be greater than 0"),
        ({"model": "Bench"}, "model = 'Bench': there is no such model; choose one of bench, field"),
        ({"colour": "red"}, "colour = 'red': this field is unknown here; remove it"),
        ({"faults": ["explode"]}, "fault = 'explode': there is no such fault"),
        ({"faults": "drop"}, "faults = 'drop': this is no list of texts"),
        ({"temperature": "25 V"}, "temperature = '25 V': '25 V' is in V, but a quantity in K is needed"),
    ],
)
def test_wrong_settings_are_refused_field_by_field(settings: dict[str, Any], sentence: str) -> None:
    with pytest.raises(SettingsError) as refused:
        driver(**settings)
    assert sentence in str(refused.value)


def test_all_wrong_fields_are_named_at_once() -> None:
    with pytest.raises(SettingsError) as refused:
        driver(speed=-1, seed="x", battery=2)
    assert {problem.field for problem in refused.value.problems} == {"speed", "seed", "battery"}
