"""What goes wrong at the bench: a pulled plug, a dead broker, a second start, a stale or retained command, Ctrl-C."""

import asyncio
import json
import uuid
from asyncio.subprocess import PIPE
from pathlib import Path
from typing import Any

import pytest

from luggin.protocol import document, topics
from luggin.protocol.techniques import TECHNIQUES
from support.road import Road, free_port, has_mosquitto, serial, walked

CV = TECHNIQUES["cyclic-voltammetry"].example


def method_file(folder: Path, **dead_man: str) -> Path:
    path = folder / "cv.toml"
    more = "[dead_man]\n" + "".join(f'{key} = "{value}"\n' for key, value in dead_man.items()) if dead_man else ""
    path.write_text(CV + "\n" + more)
    return path


async def bench(road: Road, *simulate: str) -> Any:
    simulator = await road.simulate("left", "redox-probe", *simulate)
    daemon = await road.serve({"left": serial(road.folder, "left")})
    await road.until("left", state="Idle", cell="off", link="up")
    return simulator, daemon


async def test_a_pulled_plug_ends_in_an_abort_with_its_points_kept(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        simulator, _ = await bench(road)
        path = method_file(tmp_path, timeout="0.5 s")
        started = await road.told("run", str(path), "-i", "left", "--detach")
        await road.until("left", state="Execute", cell="on")
        while (await road.told("show", started["run"], "--store", str(road.store)))["points"] == 0:
            pass  # each look is a process of its own, and takes its time
        simulator.kill()
        await simulator.wait()
        await road.until("left", state="Execute", link="lost")
        state = await road.until("left", state="Aborting", cell="unknown")
        assert "not confirmed" in state["reason"]
        code, _, err = await road.luggin("run", str(path), "-i", "left")
        assert code == 1
        assert "cell is confirmed off" in err
        code, _, err = await road.luggin("clear", "-i", "left")
        assert code == 1
        await road.simulate("left", "redox-probe")
        await road.until("left", state="Aborted", cell="off", link="up", run=None)
        shown = await road.told("show", started["run"], "--store", str(tmp_path / "runs.sqlite"))
        assert shown["result"]["state"] == "Aborted"
        assert shown["points"] == shown["result"]["points"] > 0
        code, out, _ = await road.luggin("clear", "-i", "left")
        assert code == 0, out
        await road.until("left", state="Idle")


async def test_abort_works_with_the_broker_dead(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        await road.simulate("left", "redox-probe")
        # Nothing listens there: a broker that is away at the start is no obstacle either.
        nowhere = f"mqtt://127.0.0.1:{free_port()}"
        await road.serve({"left": serial(tmp_path, "left")}, nowhere)
        await road.until("left", state="Idle", cell="off", link="up")
        code, _, err = await road.luggin("run", str(method_file(tmp_path)), "-i", "left")
        assert code == 4
        assert "no connection to the broker" in err
        code, out, _ = await road.luggin("abort", "-i", "left")
        assert code == 0
        assert "confirmed off" in out


async def test_ending_the_daemon_opens_the_cell_first(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        _, daemon = await bench(road)
        run = (await road.told("run", str(method_file(tmp_path)), "-i", "left", "--detach"))["run"]
        await road.until("left", state="Execute", cell="on")
        daemon.terminate()
        assert await daemon.wait() == 0
        shown = await road.told("show", run, "--store", str(tmp_path / "runs.sqlite"))
        assert (shown["result"]["state"], shown["result"]["cell"]) == ("Aborted", "off")
        relay = [e for e in map(json.loads, (tmp_path / "left.points").read_text().splitlines()) if "event" in e]
        assert relay, "the simulator's own log tells of the relay"


@has_mosquitto
@pytest.mark.timeout(120)
async def test_stale_and_retained_starts_energise_nothing(tmp_path: Path) -> None:
    port = free_port()
    url = f"mqtt://127.0.0.1:{port}"
    topic = topics.command("bench", "left", "somebody", "start")
    async with walked(tmp_path) as road:
        await asyncio.gather(road.broker(port), road.simulate("left", "redox-probe"))

        async def publish(content: dict[str, Any], *more: str) -> None:
            message = json.dumps({"request": uuid.uuid4().hex, **content})
            assert (
                await (
                    await road.start("mosquitto_pub", "-p", str(port), "-t", topic, "-q", "1", "-m", message, *more)
                ).wait()
                == 0
            )

        await publish({"token": "0" * 16, "method": document.read(CV)}, "-r")  # waits at the broker for the daemon
        await road.serve({"left": serial(tmp_path, "left")}, url)
        old = (await road.until("left", state="Idle", cell="off", link="up"))["token"]
        await publish({"token": "0" * 16, "method": document.read(CV)})
        await publish({"nonsense": True})
        where = ("-i", "left", "--broker", url, "--node", "bench")
        store = ("--store", str(tmp_path / "runs.sqlite"))
        # This one is answered, so everything before it has been dealt with.
        run = (await road.told("run", str(method_file(tmp_path)), "--detach", *where))["run"]
        assert [each["run"] for each in await road.told("runs", *store)] == [run]
        code, _, err = await road.luggin("run", str(method_file(tmp_path)), *where)
        assert code == 1
        assert "not Idle" in err
        assert (await road.luggin("abort", "-i", "left"))[0] == 0
        await road.until("left", state="Aborted", cell="off")
        assert (await road.luggin("clear", *where))[0] == 0
        await publish({"token": old, "method": document.read(CV)})
        await road.until("left", state="Idle", cell="off")
        assert [each["run"] for each in await road.told("runs", *store)] == [run]
        listen = ("mosquitto_sub", "-p", str(port), "-t", topic, "--retained-only", "-W", "1")
        kept = await road.start(*listen, stderr=PIPE)
        assert (await kept.communicate())[0] == b"", "the retained command is taken off the broker"
