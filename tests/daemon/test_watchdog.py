"""Signs of life: given while every part is well, withheld as soon as one is stuck."""

import asyncio
import os
import socket
import threading
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from luggin.daemon import control, watchdog
from luggin.daemon.store import Store, writer
from luggin.daemon.watchdog import Watchdog, interval
from luggin.protocol.unit import events
from support.attended import attended, longer
from support.scripted import Instrument
from support.stored_runs import header

OWN = str(os.getpid())


@pytest.mark.parametrize(
    ("environment", "seconds"),
    [
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": OWN}, 10.0),
        ({"WATCHDOG_USEC": "30000000"}, 10.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({}, None),
    ],
)
def test_how_often(environment: dict[str, str], seconds: float | None) -> None:
    assert interval(environment) == seconds


@pytest.fixture
async def heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as supervisor:
        supervisor.bind(str(tmp_path / "notify"))
        supervisor.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield supervisor


async def test_signs_of_life_end_with_the_first_trouble_and_come_again(heard: socket.socket) -> None:
    loop, trouble, looks = asyncio.get_running_loop(), "", asyncio.Semaphore(0)

    def check() -> str:
        looks.release()
        return trouble

    with capture_logs() as said:
        task = asyncio.create_task(Watchdog({"writer": check, "session": lambda: ""}, 0.001).run())
        assert await loop.sock_recv(heard, 100) == b"WATCHDOG=1"
        trouble = "it waits in vain"
        for _ in range(looks._value + 3):
            await looks.acquire()
        while True:
            try:
                heard.recv(100)
            except BlockingIOError:
                break
        for _ in range(3):
            await looks.acquire()
        with pytest.raises(BlockingIOError):
            heard.recv(100)
        trouble = ""
        assert await loop.sock_recv(heard, 100) == b"WATCHDOG=1"
        task.cancel()
        await asyncio.wait([task])
    assert [(each["log_level"], each.get("reason")) for each in said] == [("error", "it waits in vain"), ("info", None)]


async def test_unwatched_it_looks_and_tells_the_log_alone(
    heard: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watchdog, "UNWATCHED_EVERY", 0.001)
    looked = asyncio.Semaphore(0)

    def look() -> str:
        looked.release()
        return ""

    task = asyncio.create_task(Watchdog({"writer": look}, None).run())
    for _ in range(3):
        await looked.acquire()
    task.cancel()
    await asyncio.wait([task])
    with pytest.raises(BlockingIOError):
        heard.recv(100)


async def test_a_writer_that_does_not_come_back_is_stuck(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    entered, release = threading.Event(), threading.Event()
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        assert store.stuck() == ""
        commit = store._writer._commit

        def hang(*args: object) -> None:
            entered.set()
            release.wait()
            commit(*args)  # type: ignore[arg-type]

        monkeypatch.setattr(store._writer, "_commit", hang)
        monkeypatch.setattr(writer, "STUCK_AFTER", 0.0)
        begun = asyncio.create_task(store.begin_run(header("run-1")))
        await asyncio.to_thread(entered.wait)
        assert "at one commit" in store.stuck()
        release.set()
        await begun
        monkeypatch.undo()
        assert store.stuck() == ""
    assert "has ended" in store.stuck()


async def test_a_session_is_well_with_and_without_its_instrument(tmp_path: Path) -> None:
    driver = Instrument()
    async with attended(tmp_path, driver) as bench:
        await bench.ready()
        assert bench.instrument.stuck() == ""
        driver.reachable = False
        driver.drop()
        await bench.until(lambda each: each.link == "lost")
        assert bench.instrument.stuck() == ""
    assert bench.instrument.stuck() == "", "one that was shut down is none"


async def test_a_session_that_no_longer_looks_is_stuck(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with attended(tmp_path, Instrument()) as bench:
        await bench.ready()
        attendance = bench.instrument._control.attendance
        assert attendance is not None
        monkeypatch.setattr(attendance, "looked", attendance.looked - 100.0)
        assert "nothing was done with its connection" in bench.instrument._connecting.stuck()  # type: ignore[union-attr]


async def test_opening_that_never_returns_is_stuck(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    driver = Instrument()
    driver.reachable = False
    async with attended(tmp_path, driver, intervals=longer(reconnect=(0.01, 0.01))) as bench:
        connecting = bench.instrument._connecting
        while connecting is None:
            await asyncio.sleep(0)
            connecting = bench.instrument._connecting
        monkeypatch.setattr(connecting, "_tried", connecting._tried - 100.0)
        assert "nothing was done" in connecting.stuck()


async def test_a_deadline_that_is_missed_and_a_cell_off_that_nobody_carries_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with attended(tmp_path, Instrument()) as bench:
        await bench.ready()
        held = bench.instrument._control
        now = held.now()
        monkeypatch.setattr(held, "now", lambda: now + 60.0 + 2 * control.STUCK_AFTER)
        assert "was not done" in held.stuck()
        monkeypatch.undo()
        monkeypatch.setattr(held, "spawn", lambda *_: None)
        held.feed(events.Abort(held.now(), "anna"))
        assert "nobody carries it out" in held.stuck()
        monkeypatch.undo()
