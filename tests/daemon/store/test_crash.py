"""The daemon is killed in the middle of writing: nothing acknowledged is lost, nothing is stored twice."""

import asyncio
import os
import signal
import sys
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.store import Store, open_store, verify
from support import writing_daemon
from support.stored_runs import SWEEP, sweep

RUNS = ("run-1", "run-2")


async def write_and_kill(store: Path, acknowledgements: int) -> dict[str, tuple[int, int]]:
    """What the process had told to be durable when it was killed: run to (points, newest event)."""
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        writing_daemon.__file__,
        str(store),
        *RUNS,
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert child.stdout is not None
    lines = [await child.stdout.readline() for _ in range(acknowledgements)]
    child.send_signal(signal.SIGKILL)
    lines += (await child.stdout.read()).splitlines(keepends=True)
    assert await child.wait() == -signal.SIGKILL
    told: dict[str, tuple[int, int]] = {}
    for line in lines:
        if line.endswith(b"\n"):
            run, after, number = line.decode().split()
            told[run] = (int(after), int(number))
    return told


@pytest.mark.parametrize(
    "rounds",
    [pytest.param(2, id="a few"), pytest.param(25, id="many", marks=[pytest.mark.long, pytest.mark.timeout(900)])],
)
async def test_kill_9_loses_nothing_that_was_acknowledged(tmp_path: Path, rounds: int) -> None:
    path = tmp_path / "store.sqlite"
    chance = np.random.default_rng(20)
    for _ in range(rounds):
        told = await write_and_kill(path, int(chance.integers(1, 40)))
        with open_store(path) as archive:
            for run, (points, number) in told.items():
                assert archive.stored_after(run) >= points
                assert len(archive.events(run)) > number
                stored = archive.columns(run)
                whole = sweep(run, 0, archive.stored_after(run)).columns
                assert np.array_equal(stored["index"], np.arange(len(whole["time"])))
                for name in SWEEP:
                    assert stored[name].tobytes() == whole[name].tobytes()
                assert verify(archive, run) == []
    async with Store.open(path) as store:
        assert await store.unfinished() == list(RUNS)
        assert await store.gaps("run-1") == []


async def test_the_lock_ends_with_the_process(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    await write_and_kill(path, 1)
    async with Store.open(path) as store:
        assert len(await store.runs()) >= 1
