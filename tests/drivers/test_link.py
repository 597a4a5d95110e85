"""Sessions over real lines with an instrument on paper at the other end."""

import asyncio
from collections.abc import AsyncIterator

import numpy as np
import pytest

from luggin.drivers import exchange
from luggin.drivers.api import News, Session
from luggin.drivers.errors import LinkLost, NoAnswer, NotReachable, ProtocolViolation, Refused
from luggin.drivers.link import open_link
from luggin.drivers.stream import memory_pair
from luggin.protocol.instrument import Activity, Cell, Status
from luggin.protocol.link import codec, frame, message
from luggin.protocol.link.host import Host
from luggin.protocol.link.requests import Timing
from luggin.protocol.points import Batch
from support.paper_instrument import CAPABILITY, PaperInstrument, points, program
from support.served import KINDS, Served, served

RUN = "column-3"


@pytest.fixture(params=KINDS)
async def line(request: pytest.FixtureRequest) -> AsyncIterator[Served]:
    async with served(request.param) as line:
        yield line


@pytest.fixture
async def memory() -> AsyncIterator[Served]:
    async with served("memory") as line:
        yield line


async def collect(session: Session) -> list[News]:
    """News up to the status that says the run has ended."""
    news: list[News] = []
    async for each in session.news():
        news.append(each)
        if isinstance(each, Status) and each.activity is Activity.ENDED:
            return news
    raise AssertionError("the news ended")


def assert_complete(news: list[News], count: int, period: float) -> None:
    received = [each for each in news if isinstance(each, Batch)]
    assert [each.first for each in received] == [0, *(each.after for each in received[:-1])]
    made = points(RUN, "boot-1", 0, count, period)
    for name, column in made.columns.items():
        assert np.array_equal(np.concatenate([each.columns[name] for each in received]), column), name


async def test_a_whole_run(line: Served) -> None:
    async with line.session() as session:
        assert isinstance(session, Session)
        assert session.capability == CAPABILITY
        assert (await session.status()).activity is Activity.IDLE
        await session.arm(RUN, program(600, 0.0005))
        assert (await session.status()).activity is Activity.ARMED
        await session.start(RUN)
        await session.keep_alive()
        news = await collect(session)
        assert_complete(news, 600, 0.0005)
        await session.acknowledge(RUN, 600)
        assert (await session.status()).activity is Activity.IDLE
        assert (await session.read()).potential == 0.1


async def test_cell_off(line: Served) -> None:
    async with line.session() as session:
        await session.arm(RUN, program(100_000, 0.001))
        await session.start(RUN)
        receipt = await session.cell_off()
        assert receipt.confirmed
        assert (await session.status()).cell is Cell.OFF
        line.instrument.stuck_relay = True
        receipt = await session.cell_off()
        assert not receipt.confirmed
        assert receipt.detail == "the relay reads on"


async def test_a_line_that_is_cut_fails_everything_that_waits(line: Served) -> None:
    async with line.session() as session:
        line.deaf = True
        calls = [asyncio.create_task(call) for call in (session.status(), session.read(), collect(session))]
        await asyncio.sleep(0)
        await line.unplug()
        for outcome in await asyncio.gather(*calls, return_exceptions=True):
            assert isinstance(outcome, LinkLost)
            assert "the link was lost" in str(outcome)
        with pytest.raises(LinkLost):
            await session.cell_off()


async def test_opening_again_goes_on_where_it_was(line: Served) -> None:
    async with line.session() as session:
        await session.arm(RUN, program(400, 0.001))
        await session.start(RUN)
        async for each in session.news():
            if isinstance(each, Batch):
                break
    async with line.session() as session:
        status = await session.status()
        assert status.run == RUN
        await session.replay(RUN, 0)
        assert_complete(await collect(session), 400, 0.001)
        assert line.instrument.starts == 1


async def test_refusals_name_reason_and_code(memory: Served) -> None:
    async with memory.session() as session:
        with pytest.raises(Refused, match=r"not armed with this run \(wrong-state\)"):
            await session.start(RUN)
        with pytest.raises(Refused, match="never pauses"):
            await session.hold()
        with pytest.raises(Refused, match="never pauses"):
            await session.unhold()
        with pytest.raises(Refused, match="nothing runs"):
            await session.stop()
        with pytest.raises(Refused, match="'acknowledge' can't be sent: run: expected 1 to 64 small letters"):
            await session.acknowledge("My Run", 5)


async def test_programs_that_are_too_large_are_refused_here(memory: Served) -> None:
    async with memory.session() as session:
        large = program(10, 0.1)
        large = large.model_copy(update={"blocks": large.blocks * 60})
        with pytest.raises(Refused, match="bytes, the instrument takes 8192"):
            await session.arm(RUN, large)


async def test_small_frames_of_a_small_instrument() -> None:
    async with served("memory", PaperInstrument(largest_frame=128)) as line, line.session() as session:
        await session.arm(RUN, program(10, 0.01))
        uploads = [each for each in line.instrument.heard if isinstance(each, message.Upload)]
        assert all(len(frame.encode(codec.encode(each))) <= 128 for each in uploads)


async def test_cell_off_overtakes_a_start(memory: Served) -> None:
    async with memory.session() as session:
        await session.arm(RUN, program(10, 0.01))
        memory.deaf = True
        start = asyncio.create_task(session.start(RUN))
        off = asyncio.create_task(session.cell_off())
        await asyncio.sleep(0)
        memory.deaf = False
        assert (await off).confirmed
        with pytest.raises((NoAnswer, Refused)):
            await start
        assert memory.instrument.starts == 0


async def test_a_cancelled_start_is_not_sent_again(memory: Served) -> None:
    async with memory.session() as session:
        await session.arm(RUN, program(10, 0.01))
        memory.deaf = True
        start = asyncio.create_task(session.start(RUN))
        await asyncio.sleep(0.01)
        start.cancel()
        await asyncio.gather(start, return_exceptions=True)
        memory.deaf = False
        await session.status()
        assert memory.instrument.starts == 0


async def test_a_request_without_answer(memory: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("luggin.drivers.link.Timing", lambda: Timing(repeat=0.02, answer=0.1))
    async with memory.session() as session:
        memory.deaf = True
        with pytest.raises(NoAnswer, match="whether 'ask reading' was carried out is not known: no answer in time"):
            await session.read()


async def test_a_silent_instrument_is_a_lost_link(memory: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("luggin.drivers.link.Timing", lambda: Timing(repeat=0.02, status=0.05, silence=0.2))
    async with memory.session() as session:
        memory.deaf = True
        with pytest.raises(LinkLost, match=r"silent for 0\.2 s"):
            await collect(session)


async def test_a_restarted_instrument_is_a_lost_link(memory: Served) -> None:
    async with memory.session() as session:
        memory.instrument.restart()
        with pytest.raises(LinkLost, match="restarted"):
            await session.status()


async def test_nobody_there() -> None:
    near, far = memory_pair()
    with pytest.raises(NotReachable, match=r"no instrument answered within 0\.05 s; is it switched on"):
        async with open_link(near, "the drawer", 0.05):
            pass
    assert await far.read() != b"", "a hello was sent"


async def test_somebody_else_there() -> None:
    near, far = memory_pair()
    await far.write(b"Welcome to the coffee machine\r\n\0")
    with pytest.raises(NotReachable, match="31 bytes came back that are no frames; are port and baud rate right"):
        async with open_link(near, "the kitchen", 0.05):
            pass


async def test_frames_of_another_protocol() -> None:
    near, far = memory_pair()
    await far.write(frame.encode(b"not cbor at all"))
    with pytest.raises(NotReachable, match="frames of another protocol"):
        async with open_link(near, "the neighbour", 0.05):
            pass


async def test_the_other_end_closes_while_opening() -> None:
    near, far = memory_pair()
    await far.close()
    with pytest.raises(NotReachable, match="closed"):
        async with open_link(near, "the door", 1.0):
            pass


async def test_another_version_is_a_violation() -> None:
    instrument = PaperInstrument()
    instrument.versions = (2, 2)
    async with served("memory", instrument) as line:
        with pytest.raises(ProtocolViolation, match="speaks versions 2 to 2"):
            async with line.session():
                pass


async def test_points_that_nobody_takes_do_not_block_answers(memory: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exchange, "MOST_WAITING", 50)
    async with memory.session() as session:
        await session.arm(RUN, program(2000, 0.0001))
        await session.start(RUN)
        while (await session.status()).activity is Activity.RUNNING:
            await session.read()
        news = await asyncio.wait_for(collect(session), 10.0)
        assert_complete(news, 2000, 0.0001)


async def test_neighbouring_batches_come_as_one(memory: Served) -> None:
    async with memory.session() as session:
        await session.arm(RUN, program(500, 0.0001))
        await session.start(RUN)
        while (await session.status()).activity is Activity.RUNNING:
            pass
        await session.status()
        news = await collect(session)
        assert len([each for each in news if isinstance(each, Batch)]) < 5


async def test_statuses_that_nobody_takes_do_not_pile_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exchange, "MOST_WAITING", 10)
    near, _ = memory_pair()
    idle = exchange.Exchange(near, Host(1, 0.0), "a nervous instrument")
    for turn in range(1000):
        idle._arrived(Status(Activity.IDLE, Cell.OFF, "boot-1", float(turn)))
    assert len(idle._news) <= 11
    assert isinstance(newest := idle._news[-1], Status)
    assert newest.clock == 999.0
    await idle.close()


async def test_opening_and_leaving_change_nothing(memory: Served) -> None:
    async with memory.session() as session:
        await session.arm(RUN, program(100_000, 0.001))
        await session.start(RUN)
    for _ in range(3):
        async with memory.session() as session:
            assert (await session.status()).activity is Activity.RUNNING
    heard = {type(each) for each in memory.instrument.heard}
    assert message.KeepAlive not in heard
    assert message.CellOff not in heard


async def test_an_error_in_the_body_comes_through(memory: Served) -> None:
    with pytest.raises(TimeoutError, match="mine"):
        async with memory.session():
            raise TimeoutError("mine")
