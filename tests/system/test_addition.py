"""A standard addition through the whole road: a real daemon, simulated instruments, prompts answered at a terminal."""

import asyncio
import contextlib
import json
import os
import pty
import sys
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon import endpoint
from luggin.daemon.cli.demo_bench import carried_out
from luggin.daemon.mqtt.remote import open_remote
from luggin.daemon.store import open_store
from luggin.protocol.evaluation.quantification_results import AdditionBody
from luggin.protocol.evaluation.statistics import Estimate
from luggin.protocol.sequence.addition import EXAMPLE, EXAMPLE_METHOD, compiled, read_plan
from luggin.sim.cell.load import load_document
from support.additions import CELL, TRUTH, example
from support.road import LUGGIN, REFERENCE, Road, serial, walked

SEEDS = 20
REDRAWN_MEAN, REDRAWN_SPREAD = 14.95e-3, 0.182e-3
"""mol/m3: of 2000 redraws of the noise, `tests/daemon/evaluation/test_addition_coverage.py`."""


async def at_terminal(road: Road, *command: str) -> tuple[int, str]:
    """A command at a terminal at which somebody presses Return whenever that is asked for."""
    ours, theirs = pty.openpty()
    process = await asyncio.create_subprocess_exec(
        *LUGGIN, *command, stdin=theirs, stdout=theirs, stderr=theirs, env=road.environment, cwd=road.folder
    )
    os.close(theirs)
    loop, said, ended = asyncio.get_running_loop(), bytearray(), asyncio.Event()
    pressed = 0

    def hear() -> None:
        nonlocal pressed
        try:
            said.extend(os.read(ours, 65536))
        except OSError:  # the other end is closed
            loop.remove_reader(ours)
            ended.set()
            return
        while said.count(b"press Return") > pressed:
            pressed += 1
            os.write(ours, b"\n")

    loop.add_reader(ours, hear)
    await ended.wait()
    code = await process.wait()
    os.close(ours)
    process._transport.close()  # type: ignore[attr-defined]
    return code, said.decode()


@pytest.mark.long
@pytest.mark.timeout(90)
async def test_a_plan_is_carried_out_at_a_terminal(tmp_path: Path) -> None:
    """One run of each solution; the simulated operator adds after each."""
    cell = load_document(CELL).model_dump(mode="json", exclude_none=True)
    for number, addition in enumerate(cell["additions"], 1):
        addition["after_run"] = number
    (tmp_path / "cell.json").write_text(json.dumps({**cell, "pickup": 0.0}))
    (tmp_path / "dpv.toml").write_text(EXAMPLE_METHOD)
    plan = EXAMPLE.replace("replicates = 3", "replicates = 1").replace('"20 s"', '"0.1 s"')
    (tmp_path / "plan.toml").write_text(plan)
    async with walked(tmp_path) as road:
        await road.simulate("left", str(tmp_path / "cell.json"), "--speed", "1000")
        await road.serve({"left": {**serial(tmp_path, "left"), "electrode": "gc-3", "area": "7.07 mm2"}})
        await road.until("left", state="Idle", cell="off")
        code, said = await at_terminal(road, "addition", "plan.toml", "-i", "left", "--plot", "line.png")
        assert code == 0, said
        assert said.count("press Return") == 5
        assert "> Addition 3 of 3: add 50 µL of the 4 mmol/L standard of paracetamol." in said
        assert "µmol/L, 95 % interval" in said
        assert (tmp_path / "line.png").stat().st_size > 5000
        with open_store(road.store) as archive:
            made = archive.newest_evaluation("standard-addition", subject="sample/column outlet")
        assert made is not None
        body = AdditionBody.model_validate(made.body)
        assert body.concentration.value == pytest.approx(TRUTH, rel=0.01)
        assert [each.label for each in body.readings] == ["sample", "addition-1", "addition-2", "addition-3"]
        assert all(each.evaluation for each in body.readings)


def _interval(estimate: Estimate) -> str:
    assert estimate.lower is not None
    assert estimate.upper is not None
    return f"{estimate.lower * 1e3:.3f} to {estimate.upper * 1e3:.3f}"


@pytest.mark.long
@pytest.mark.timeout(1800)
async def test_twenty_seeds_agree_with_the_redraws(tmp_path: Path) -> None:
    instruments = {
        f"bench-{seed}": {"driver": "sim", "cell": CELL, "seed": seed, "speed": 1e4, "reference": REFERENCE}
        for seed in range(1, SEEDS + 1)
    }
    plan = read_plan({**example().model_dump(mode="json", exclude_none=True), "mixing_time": 0.0})
    async with walked(tmp_path) as road:
        await road.serve(instruments)
        found: list[AdditionBody] = []
        for name in instruments:
            await road.until(name, state="Idle", cell="off")
            file = endpoint.file_of(tmp_path / "runtime" / "luggin", "bench")
            async with open_remote(endpoint.read(file), "bench") as remote:
                with contextlib.redirect_stdout(None):
                    made = await carried_out(remote, compiled(plan), name)
            found.append(AdditionBody.model_validate(made.body))
    values = np.array([body.concentration.value for body in found])
    told = [body.concentration for body in found]
    held = sum(each.lower is not None and each.upper is not None and each.lower <= TRUTH <= each.upper for each in told)
    rows = [f"| {seed} | {each.value * 1e3:.3f} | {_interval(each)} |" for seed, each in enumerate(told, 1)]
    table = "\n".join(["", "| seed | c, umol/L | 95 % interval |", "|---|---|---|", *rows])
    sys.stdout.write(f"{table}\nmean {values.mean() * 1e3:.3f}, sd {values.std(ddof=1) * 1e3:.3f}, {held} hold\n")
    assert values.mean() == pytest.approx(REDRAWN_MEAN, abs=3.5 * REDRAWN_SPREAD / SEEDS**0.5)
    # Chi-squared with 19 degrees of freedom over its mean lies between 0.6^2 and 1.55^2 but for 1 in 1000.
    assert 0.6 < values.std(ddof=1) / REDRAWN_SPREAD < 1.55
    assert held >= 16  # fewer than that of 20, at 95 % each: 1 in 400


@pytest.mark.long
@pytest.mark.timeout(300)
async def test_the_demo_does_the_whole_job(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        code, out, err = await road.luggin("demo")
        assert code == 0, out + err
        assert "true value    15 µmol/L, invented" in out
        assert len(list((tmp_path / "luggin-demo").glob("*.png"))) == 2
