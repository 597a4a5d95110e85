"""Days of work within minutes: many runs, a fault in each, one daemon that must neither grow nor lose anything."""

import asyncio
import gc
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from random import Random

import psutil
import pytest

from faults import kinds
from faults.account import Account, settle_run
from faults.laboratory import Laboratory
from faults.play import catch_up, come_to_rest, is_ready
from luggin.daemon.store import open_store
from luggin.protocol import document
from luggin.protocol.techniques import TECHNIQUES
from luggin.sim.settings import Settings
from support.swift_loop import run_swiftly

POINTS, FAULTS = 600_000, 200
_OF_A_RUN, _SPEED = 3000, 60.0
_GROWTH = 20_000_000
"""Bytes that the process may grow after the first quarter."""
_SOAKED = (
    kinds.cut, kinds.broker_gone, kinds.broker_slow, kinds.subscriber_slow, kinds.clock_stepped, kinds.disk_full,
    kinds.sync_failed, kinds.stale_commands, kinds.flood, kinds.frames_again, kinds.second_daemon, kinds.off_refused,
)  # fmt: skip


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_soak(tmp_path: Path) -> None:
    run_swiftly(soak(tmp_path, POINTS, FAULTS), 1e9)


async def soak(folder: Path, points: int, faults: int) -> Account:
    """Monitoring at one point a second, 60 times as fast, run after run; the dead-man timer is not faster."""
    method = document.read(TECHNIQUES["amperometric-monitoring"].example)
    method["phases"][-1] |= {"duration": f"{_OF_A_RUN} s", "period": "1 s"}
    random, process, account = Random(600), psutil.Process(), Account("soak")
    sizes: list[tuple[int, int]] = []
    struck = 0
    async with Laboratory(folder, Settings.parse({"cell": "dummy-r-rc", "speed": _SPEED, "seed": 3})) as lab:
        begun, begun_here = lab.loop.time(), time.monotonic()
        while account.sent < points or struck < faults:
            assert await lab.until(is_ready)
            assert lab.state is not None
            reply = await lab.order("start", token=lab.state.token, method=method)
            if reply is None or not reply.accepted or reply.run is None:
                continue
            await asyncio.sleep(random.uniform(0.0, _OF_A_RUN / _SPEED))
            await random.choice(_SOAKED)(lab, random)
            struck += 1
            await come_to_rest(lab)
            await asyncio.sleep(60.0)
            _settle(account, lab, reply.run, await catch_up(lab, reply.run))
            assert account.wrong == []
            sizes.append((process.memory_info().rss, process.num_fds()))
        days = (lab.loop.time() - begun) * _SPEED / 86400
        assert await lab.daemon.end()
    assert lab.truth.overdue() == []
    assert account.received == account.stored == account.sent - account.gone
    assert account.lost == account.doubled == 0
    grown, opened = (last - first for first, last in zip(sizes[len(sizes) // 4], sizes[-1], strict=True))
    told = f"{days:.1f} simulated days, {account.sent} points, {struck} faults in {time.monotonic() - begun_here:.0f} s"
    assert grown < _GROWTH, f"the process grew by {grown} bytes ({told})"
    assert opened <= 4, f"{opened} files were left open ({told})"
    print(told, f"grown by {grown} bytes and {opened} files")  # noqa: T201 - shown with -s
    return account


def _settle(account: Account, lab: Laboratory, run: str, received: list[dict[str, object]]) -> None:
    """Account for a run that is over, and forget everything about it."""
    with open_store(lab.path) as archive, closing(sqlite3.connect(lab.path)) as raw:
        settle_run(account, archive, raw, lab.truth, run, received)
    lab.truth.batches.clear()
    lab.broker.received.clear()
    lab.sent[:] = lab.sent[-20:]
    gc.collect()
