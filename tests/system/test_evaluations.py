"""A run's peaks from the instrument to whoever listens, and again by order; a daemon killed in between."""

import asyncio
import json
import os
from pathlib import Path
from typing import Any

import psutil
import pytest

from luggin.daemon.export import read_package
from luggin.protocol import techniques
from luggin.protocol.evaluation.peak_results import PeaksBody
from luggin.protocol.payloads import Evaluation
from support.road import LUGGIN, free_port, has_mosquitto, line, serial, walked

pytestmark = pytest.mark.long

EXAMPLE = techniques.TECHNIQUES["cyclic-voltammetry"].example
FORMAL_POTENTIAL = 0.230  # V, of the simulated redox probe


async def message(subscriber: asyncio.subprocess.Process, end: str) -> Any:
    """The payload of the next message under a topic that ends so."""
    while True:
        topic, _, payload = (await line(subscriber)).partition(" ")
        if topic.endswith(end):
            return json.loads(payload)


@has_mosquitto
@pytest.mark.timeout(120)
async def test_a_run_is_evaluated_published_and_evaluated_again(tmp_path: Path) -> None:
    port = free_port()
    url = f"mqtt://127.0.0.1:{port}"
    (tmp_path / "cv.toml").write_text(EXAMPLE)
    there = ("--broker", url, "--node", "bench")
    here = ("--store", str(tmp_path / "runs.sqlite"))
    async with walked(tmp_path) as road:
        await asyncio.gather(road.broker(port), road.simulate("left", "redox-probe", "--speed", "20", "--seed", "1"))
        subscriber = await road.start("mosquitto_sub", "-p", str(port), "-t", "luggin/#", "-v", "-q", "1")
        daemon = await road.serve({"left": serial(tmp_path, "left")}, url)
        await road.until("left", state="Idle", cell="off", link="up")
        run = str((await road.told("run", str(tmp_path / "cv.toml"), *there))["run"])
        found = Evaluation.model_validate(await message(subscriber, f"/run/{run}/evaluation"))
        assert (found.kind, found.runs) == ("peaks", (run,))
        body = PeaksBody.model_validate(found.body)
        assert body.couples[0].half_wave_potential == pytest.approx(FORMAL_POTENTIAL, abs=0.005)
        _computed_elsewhere(daemon)

        assert await road.told("peaks", run, *here) == found.model_dump(mode="json")
        by_socket = await road.told("peaks", run, *here, "--remove", str(body.peaks[0][1].potential), "--sweep", "1")
        by_broker = await road.told("peaks", run, *there, "--baseline", "polynomial")
        assert by_socket["asked_by"] == psutil.Process().username()
        assert (by_socket["verified"], by_broker["verified"]) == (True, False)
        assert Evaluation.model_validate(await message(subscriber, "/evaluation")).name == by_socket["name"]
        assert await road.told("peaks", run, *there) == by_broker
        listed = await road.told("peaks", run, *there, "--all")
        assert [each["name"] for each in listed] == [by_broker["name"], by_socket["name"], found.name]
        _computed_elsewhere(daemon)
        code, _, err = await road.luggin("peaks", run, *here, "--search", "2", "1A")
        assert (code, "search" in err or "potential" in err) == (2, True)

        code, _, err = await road.luggin("export", run, "-o", str(tmp_path / "data"), *there)
        assert code == 0, err
        told, _ = read_package(tmp_path / "data")[run]
        assert {each["name"] for each in told["evaluations"]} == {each["name"] for each in listed}


def _computed_elsewhere(daemon: asyncio.subprocess.Process) -> None:
    """The heavy libraries are in the daemon's child, not in itself; the child is polite."""
    process = psutil.Process(daemon.pid)
    (child,) = process.children()
    assert not _heavy(process)
    assert _heavy(child)
    assert child.nice() == min(19, os.nice(0) + 15)


def _heavy(process: psutil.Process) -> list[str]:
    """Binaries of scipy that a process has loaded: any of its modules that the analysis uses brings some."""
    return [each.path for each in process.memory_maps() if "/scipy/" in each.path]


@has_mosquitto
@pytest.mark.timeout(120)
async def test_a_daemon_killed_before_its_evaluation_makes_it_after_its_start(tmp_path: Path) -> None:
    port = free_port()
    url = f"mqtt://127.0.0.1:{port}"
    (tmp_path / "cv.toml").write_text(EXAMPLE)
    async with walked(tmp_path) as road:
        await asyncio.gather(road.broker(port), road.simulate("left", "redox-probe", "--speed", "20"))
        subscriber = await road.start("mosquitto_sub", "-p", str(port), "-t", "luggin/#", "-v", "-q", "1")
        daemon = await road.serve({"left": serial(tmp_path, "left")}, url)
        await road.until("left", state="Idle", cell="off", link="up")
        command = await road.start(*LUGGIN, "run", str(tmp_path / "cv.toml"), "--broker", url, "--node", "bench")
        run = (await message(subscriber, "/result"))["run"]
        # The child that is to compute needs longer to start than this.
        daemon.kill()
        await daemon.wait()
        command.kill()
        await road.serve({"left": serial(tmp_path, "left")}, url)
        found = await message(subscriber, "/evaluation")
        assert found["runs"] == [run]
        listed = await road.told("peaks", run, "--store", str(tmp_path / "runs.sqlite"), "--all")
        assert len(listed) == 1
        _no_orphan()


def _no_orphan() -> None:
    """The child of the daemon that was killed went with it."""
    everyone = psutil.process_iter(["cmdline", "ppid"])
    children = [each for each in everyone if "luggin.daemon.evaluation.child" in (each.info["cmdline"] or [])]
    assert not [child for child in children if child.info["ppid"] == 1]
