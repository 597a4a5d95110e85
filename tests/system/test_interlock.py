"""An interlock through a real broker: said again and again, or the cell opens; a dead broker opens it too."""

import asyncio
import contextlib
import json
from pathlib import Path

import pytest

from support.road import Road, free_port, has_mosquitto, serial, walked

pytestmark = pytest.mark.long


async def _say(road: Road, port: int, message: str) -> None:
    process = await road.start("mosquitto_pub", "-p", str(port), "-t", "lab/door", "-m", message, "-q", "1")
    await process.wait()


async def _say_for_ever(road: Road, port: int) -> None:
    while True:
        await _say(road, port, "true")
        await asyncio.sleep(0.5)


@has_mosquitto
@pytest.mark.timeout(90)
async def test_a_run_goes_on_only_while_the_interlock_says_so(tmp_path: Path) -> None:
    path, port = tmp_path / "hold.json", free_port()
    given = {
        "version": 1,
        "name": "column-hold",
        "technique": "chronoamperometry",
        "setup": {"reference": "Ag/AgCl (3 M KCl)"},
        "phases": [{"phase": "measure", "potential": "0.1 V", "duration": "1 h", "period": "1 s"}],
    }
    path.write_text(json.dumps(given))
    async with walked(tmp_path) as road:
        broker = await road.broker(port)
        await road.simulate("left", "dummy-r-rc")
        door = {"topic": "lab/door", "expires": "3 s"}
        settings = serial(tmp_path, "left")
        await road.serve({"left": settings, "left.interlock": door}, f"mqtt://127.0.0.1:{port}")
        await road.until("left", state="Idle", cell="off")
        code, _, err = await road.luggin("run", str(path), "-i", "left", "--detach")
        assert (code, err) == (1, "luggin: The interlock lab/door does not say true; nothing starts.\n")
        saying = asyncio.create_task(_say_for_ever(road, port))
        await asyncio.sleep(0)
        while (await road.luggin("run", str(path), "-i", "left", "--detach"))[0] != 0:
            pass  # until it was heard
        saying.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await saying
        await _say(road, port, "false")
        state = await road.until("left", state="Aborted", cell="off")
        assert state["reason"] == "The interlock lab/door says that it is open."
        assert (await road.luggin("clear", "-i", "left"))[0] == 0
        await road.until("left", state="Idle")
        await _say(road, port, "true")
        while (await road.luggin("run", str(path), "-i", "left", "--detach"))[0] != 0:
            await _say(road, port, "true")
        broker.kill()
        await broker.wait()
        state = await road.until("left", state="Aborted", cell="off")
        assert "was not heard for 3 s" in state["reason"]
