"""A sequence through real processes: prompts from the shell, and a daemon that is killed in the middle of it."""

import asyncio
import json
import signal
from pathlib import Path
from typing import Any

import pytest

from support.road import REFERENCE, Road, serial, walked

pytestmark = pytest.mark.long

STEPS = """
version = 1
name = "column-day"
after_restart = "continue"
[methods]
hold = "hold.toml"
[[steps]]
prompt = "Fill the cell with the outlet sample."
[[steps]]
times = 2
steps = [{ run = "hold", sample = "column outlet" }]
"""
METHOD: dict[str, Any] = {
    "version": 1,
    "name": "column-hold",
    "technique": "chronoamperometry",
    "setup": {"reference": REFERENCE, "sample": "cell, invented"},
    "phases": [{"phase": "measure", "potential": "0.1 V", "duration": "60 s", "period": "20 ms"}],
    "dead_man": {"timeout": "60 s"},  # a daemon starts slowly on a busy machine
}


async def state_of(laboratory: Road, **wanted: Any) -> dict[str, Any]:
    while True:
        state: dict[str, Any] = await laboratory.told("sequence", "-i", "left", "--node", "bench")
        if all(state.get(key) == value for key, value in wanted.items()):
            return state


@pytest.mark.timeout(90)
async def test_a_killed_daemon_goes_on_with_its_sequence(tmp_path: Path) -> None:
    (tmp_path / "hold.toml").write_text(json.dumps(METHOD))
    (tmp_path / "day.toml").write_text(STEPS)
    async with walked(tmp_path) as laboratory:
        await laboratory.simulate("left", "dummy-r-rc", "--speed", "30")
        daemon = await laboratory.serve({"left": serial(tmp_path, "left")})
        await laboratory.until("left", state="Idle", cell="off")
        code, out, _ = await laboratory.luggin("sequence", "day.toml", "--check")
        assert (code, out) == (0, "day.toml: valid sequence 'column-day'; methods: hold\n")
        code, out, err = await laboratory.luggin("sequence", "day.toml", "-i", "left", "--detach")
        assert code == 0, err
        assert "Fill the cell with the outlet sample." in out
        code, _, err = await laboratory.luggin("run", "hold.toml", "-i", "left")
        assert (code, err) == (1, "luggin: A sequence is on; hold or stop it before you start a run by hand.\n")
        await laboratory.luggin("sequence", "-i", "left", "--answer", "filled")
        await state_of(laboratory, doing="running", runs=1)
        daemon.send_signal(signal.SIGKILL)
        await daemon.wait()
        await laboratory.serve({"left": serial(tmp_path, "left")})
        follow = await laboratory.luggin("sequence", "-i", "left", "--follow")
        assert follow[0] == 0, follow
        state = await state_of(laboratory, status="Complete")
        assert state["runs"] == 2
        runs = await laboratory.told("runs")
        assert [(run["state"], run["points"]) for run in runs] == [("Complete", 3000)] * 2
        shown = await asyncio.gather(*(laboratory.told("show", run["run"]) for run in runs))
        assert {run["header"]["method"]["setup"]["sample"] for run in shown} == {"column outlet"}
