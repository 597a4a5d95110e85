"""A broker that is away and a disk that is full in mid-run: nothing is lost, and the end is a defined one."""

import asyncio
import json
import os
import resource
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from luggin.protocol.techniques import TECHNIQUES
from support.road import Road, free_port, has_mosquitto, line, serial, walked
from support.simulate import logged

CV = TECHNIQUES["cyclic-voltammetry"].example


@has_mosquitto
@pytest.mark.parametrize("seconds", [2.0, pytest.param(20.0, marks=pytest.mark.long)])
async def test_a_broker_that_was_away_gets_every_point_afterwards(seconds: float, tmp_path: Path) -> None:
    port = free_port()
    (tmp_path / "cv.toml").write_text(CV)
    async with walked(tmp_path) as road:
        broker, _ = await asyncio.gather(road.broker(port), road.simulate("left", "redox-probe", "--speed", "4"))
        await road.serve({"left": serial(tmp_path, "left")}, f"mqtt://127.0.0.1:{port}")
        await road.until("left", state="Idle", cell="off", link="up")
        where = ("-i", "left", "--broker", f"mqtt://127.0.0.1:{port}", "--node", "bench")
        run = (await road.told("run", str(tmp_path / "cv.toml"), "--detach", *where))["run"]
        before = await road.start("mosquitto_sub", "-p", str(port), "-t", f"luggin/+/+/run/{run}/#", "-v", "-q", "1")
        seen = [await line(before)]
        broker.kill()
        await broker.wait()
        before.kill()
        assert before.stdout is not None
        seen += (await before.stdout.read()).decode().splitlines()
        await asyncio.sleep(seconds)
        # The laboratory's clients are back before the daemon is: MQTT keeps nothing for those who were not there.
        await road.broker(port)
        after = await road.start("mosquitto_sub", "-p", str(port), "-t", f"luggin/+/+/run/{run}/#", "-v", "-q", "1")
        while not seen[-1].startswith(f"luggin/bench/left/run/{run}/result "):
            seen.append(await line(after))
        points = [json.loads(each.partition(" ")[2]) for each in seen if "/points {" in each and each.endswith("}\n")]
        indices = {batch["first"] + k for batch in points for k in range(batch["count"])}
        result = json.loads(seen[-1].partition(" ")[2])
        assert (result["state"], result["points"]) == ("Complete", 2810)
        assert set(range(min(indices), 2810)) == indices
        shown = await road.told("show", run, "--store", str(road.store))
        assert (shown["points"], shown["gaps"]) == (2810, [])


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "disk"
    folder.mkdir()
    if os.geteuid() != 0:
        pytest.skip("mounting a small disk needs root")
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "luggin-test", str(folder)], check=False)
    if made.returncode != 0:
        pytest.skip("no tmpfs can be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


async def test_a_disk_that_fills_ends_the_run_in_order_and_loses_nothing(small_disk: Path, tmp_path: Path) -> None:
    (tmp_path / "cv.toml").write_text(CV)
    async with walked(tmp_path) as road:
        road.store = small_disk / "runs.sqlite"
        await road.simulate("left", "redox-probe")
        await road.serve({"left": serial(tmp_path, "left")})
        await road.until("left", state="Idle", cell="off", link="up")
        run = (await road.told("run", str(tmp_path / "cv.toml"), "-i", "left", "--detach"))["run"]
        await road.until("left", state="Execute", cell="on")
        filler = small_disk / "filler"
        _fill(filler)
        state = await road.until("left", cell="off")
        assert state["state"] in ("Stopping", "Stopped")
        code, _, err = await road.luggin("run", str(tmp_path / "cv.toml"), "-i", "left")
        assert code != 0
        assert "not Idle" in err
        filler.unlink()
        await road.until("left", state="Idle", cell="off")
        shown = await road.told("show", run, "--store", str(road.store))
        assert shown["result"]["state"] == "Stopped"
        assert shown["gaps"] == shown["result"]["gaps"] == []
        assert shown["points"] == shown["result"]["points"] > 0
        code, _, err = await road.luggin("run", str(tmp_path / "cv.toml"), "-i", "left", "--detach")
        assert code == 0, err
        await _abort(road)


@pytest.mark.long
async def test_a_limit_of_file_size_ends_the_run_in_order_and_loses_nothing(tmp_path: Path) -> None:
    """As on a full disk, but no reserve is of help, and the limit holds for all that the daemon writes.

    A write beyond it fails (EFBIG) where SIGXFSZ is ignored, which the interpreter sees to; see setrlimit(2).
    """
    (tmp_path / "cv.toml").write_text(CV)
    async with walked(tmp_path) as road:
        await road.simulate("left", "redox-probe")
        daemon = await road.serve({"left": serial(tmp_path, "left")})
        await road.until("left", state="Idle", cell="off", link="up")
        run = (await road.told("run", str(tmp_path / "cv.toml"), "-i", "left", "--detach"))["run"]
        await road.until("left", state="Execute", cell="on")
        while (await road.told("show", run, "--store", str(road.store)))["points"] == 0:
            pass  # each look is a process of its own, and takes its time
        resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
        state = await road.until("left", cell="off")
        assert state["state"] in ("Stopping", "Stopped")
        assert "is full; make room" in state["reason"]
        acknowledged = (await road.told("show", run, "--store", str(road.store)))["points"]
        daemon.terminate()
        assert await daemon.wait() == 0
        assert (await road.told("show", run, "--store", str(road.store)))["points"] == acknowledged
        # The next daemon has no such limit, and the instrument still holds what was not stored.
        await road.serve({"left": serial(tmp_path, "left")})
        await road.until("left", state="Idle", cell="off", link="up")
        shown = await road.told("show", run, "--store", str(road.store))
        made, _ = logged(tmp_path / "left.points", run)
        assert shown["result"]["state"] == "Stopped"
        assert shown["gaps"] == shown["result"]["gaps"] == []
        assert shown["points"] == shown["result"]["points"] == len(made["time"]) > acknowledged > 0


async def _abort(road: Road) -> None:
    code, _, err = await road.luggin("abort", "-i", "left")
    assert code == 0, err


def _fill(path: Path) -> None:
    """Take all the room there is."""
    with path.open("wb", buffering=0) as file:
        for size in (2**16, 2**12):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue
