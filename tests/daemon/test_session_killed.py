"""A daemon that is killed during a run: the instrument goes on alone, the next daemon adopts, nothing is lost."""

import asyncio
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

import numpy as np

from luggin.protocol.instrument import Activity, Cell
from support import dying_daemon
from support.attended import METHOD, attended
from support.simulate import logged, simulate

PHASE = {**METHOD["phases"][0], "duration": 30.0, "period": 0.02}


async def killed_daemon(folder: Path, place: str, method: dict[str, Any]) -> str:
    """Let a daemon start a run and be killed in the middle of it; the run."""
    _, host, port = place.split()
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    child = await asyncio.create_subprocess_exec(
        *(sys.executable, dying_daemon.__file__, str(folder), host, port, json.dumps(method)),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env=environment,
    )
    assert child.stdout is not None
    while not (said := (await child.stdout.readline()).decode().strip()).startswith("run "):
        assert said, "the daemon ended before it had started the run"
    child.send_signal(signal.SIGKILL)
    await child.wait()
    return said.removeprefix("run ")


async def test_the_next_daemon_adopts_the_run(tmp_path: Path) -> None:
    log = tmp_path / "points.log"
    arguments = ("--tcp", "0", "--cell", "redox-probe", "--speed", "10", "--points-log", str(log))
    async with simulate(*arguments) as simulated:
        run = await killed_daemon(tmp_path, simulated.place, {**METHOD, "phases": [PHASE]})
        async with attended(tmp_path, simulated.driver) as bench:
            state = await bench.until(lambda each: each.link == "up")
            assert (state.state, state.run) == ("Execute", run)
            await bench.becomes("Idle")
            result = await bench.store.result(run)
            assert result is not None
            assert (result.state, result.points, result.gaps) == ("Complete", 1500, [])
            assert "adopted" in await bench.kinds(run)
            assert await bench.store.verify(run) == []
            stored = await bench.store.points(run, limit=10_000)
        await simulated.end()
    measured, _ = logged(log, run)
    for name in ("time", "potential", "current"):
        assert np.array_equal(np.concatenate([batch.columns[name] for batch in stored]), measured[name])


async def test_without_a_daemon_the_dead_man_ends_the_run_and_the_next_daemon_says_so(tmp_path: Path) -> None:
    log = tmp_path / "points.log"
    arguments = ("--tcp", "0", "--cell", "redox-probe", "--speed", "2", "--points-log", str(log))
    method = {**METHOD, "phases": [PHASE], "dead_man": {"timeout": 0.5}}
    async with simulate(*arguments) as simulated:
        run = await killed_daemon(tmp_path, simulated.place, method)
        async with simulated.driver.open(5.0) as session:  # asking does not feed
            while (await session.status()).activity is Activity.RUNNING:
                pass
        async with attended(tmp_path, simulated.driver) as bench:
            state = await bench.until(lambda each: each.state == "Aborted" and each.run is None)
            assert state.cell is Cell.OFF
            result = await bench.store.result(run)
            assert result is not None
            assert (result.outcome, result.gaps) == ("dead-man", [])
            assert result.points == len(logged(log, run)[0]["time"])
        await simulated.end()
