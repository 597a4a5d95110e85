"""Weeks without anybody: daemons that end and come back, runs that are checked, deleted, brought back and backed up."""

import asyncio
import io
import json
import signal
import tomllib
from asyncio.subprocess import Process
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.cli.main import main
from luggin.protocol.techniques import TECHNIQUES
from support.road import Road, serial, walked

pytestmark = pytest.mark.long

HOLD = """\
version = 1
name = "column-hold"
technique = "chronoamperometry"
notes = "Invented example"
[setup]
reference = "Ag/AgCl (3 M KCl)"
[[phases]]
phase = "measure"
potential = "0.1 V"
duration = "{duration} s"
period = "20 ms"
"""


async def ready(road: Road, *simulate: str, duration: float = 600.0) -> Process:
    """A daemon with a simulated instrument that is Idle, and a method beside it."""
    await road.simulate("left", "dummy-r-rc", *simulate)
    daemon = await road.serve({"left": serial(road.folder, "left")})
    await road.until("left", state="Idle", cell="off", link="up")
    (road.folder / "hold.toml").write_text(HOLD.format(duration=duration))
    return daemon


async def begun(road: Road) -> tuple[Process, str]:
    """The same with a run that is on; its name."""
    daemon = await ready(road)
    started = await road.told("run", "hold.toml", "-i", "left", "--detach")
    await road.until("left", state="Execute")
    return daemon, started["run"]


async def made_safe(road: Road, result: str = "") -> tuple[int, Any]:
    """make-safe as systemd runs it after a service that ended so, or as a person does."""
    after = ["--after-service"] if result else []
    said = io.StringIO()
    with redirect_stdout(said), pytest.MonkeyPatch.context() as patch:
        patch.setenv("SERVICE_RESULT", result)
        config = ("--config", str(road.folder / "luggin.toml"))
        code = await asyncio.to_thread(main, ["make-safe", "--json", *config, *after])
    return code, json.loads(said.getvalue())[0] if said.getvalue() else None


async def test_a_run_is_left_going_over_a_planned_restart(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        daemon, run = await begun(road)
        code, _, err = await road.luggin("shutdown")
        assert (code, "say --leave-runs or --open-cells" in err) == (2, True)
        code, out, err = await road.luggin("shutdown", "--leave-runs")
        assert code == 0, err
        assert f"{run} on left for at most 10 s" in out
        assert await daemon.wait() == 0
        code, verdict = await made_safe(road, "success")
        assert (code, verdict["spared"]) == (0, run), "it was left on purpose"
        daemon = await road.serve({"left": serial(road.folder, "left")})
        await road.until("left", state="Execute", run=run, link="up")
        code, out, _ = await road.luggin("shutdown", "--open-cells")
        assert code == 0
        assert await daemon.wait() == 0
        shown = await road.told("show", run, "--store", str(road.store))
        assert [e["kind"] for e in shown["events"] if e["kind"] in ("left", "adopted")] == ["left", "adopted"]
        assert (shown["result"]["outcome"], shown["result"]["cell"], shown["gaps"]) == ("shutdown", "off", [])
        assert shown["points"] == shown["result"]["points"]
        assert (await made_safe(road, "success"))[1]["sentence"] == "The cell was off."


async def test_what_a_killed_daemon_leaves_is_spared_only_when_the_next_one_is_about_to_come(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        daemon, run = await begun(road)
        code, _ = await made_safe(road)
        assert code == 1, "a daemon is there to do it"
        daemon.send_signal(signal.SIGKILL)
        await daemon.wait()
        code, verdict = await made_safe(road, "signal")
        assert (code, verdict["cell"], verdict["spared"]) == (0, "on", run)
        code, verdict = await made_safe(road, "success")
        assert (code, verdict["cell"], verdict["spared"]) == (0, "off", None), "nobody asked to leave it"
        await road.serve({"left": serial(road.folder, "left")})
        state = await road.until("left", state="Aborted", cell="off", run=None)
        assert "switched off at the instrument" in state["reason"]


async def test_an_energised_instrument_with_an_unknown_run_is_opened_with_an_alarm(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        daemon, _ = await begun(road)
        daemon.kill()
        await daemon.wait()
        road.store = tmp_path / "another.sqlite"
        await road.serve({"left": serial(road.folder, "left")})
        state = await road.until("left", state="Aborted", cell="off")
        assert "energised though nothing was started here" in state["reason"]
        code, out, _ = await road.luggin("status", "--json")
        alarm = json.loads(out)["alarm"]["left"]
        assert (code, alarm["active"], alarm["kind"]) == (0, True, "aborted")


class Commands:
    """Commands of this process, which is quicker than one for each."""

    def __init__(self, road: Road, monkeypatch: pytest.MonkeyPatch) -> None:
        for name, value in road.environment.items():
            monkeypatch.setenv(name, value)
        monkeypatch.delenv("LUGGIN_BROKER", raising=False)
        monkeypatch.chdir(road.folder)
        self._store = ("--store", str(road.store))

    async def say(self, *arguments: str, here: bool = True) -> tuple[int, str]:
        """Exit code, and what was printed; `here` reads the store on this machine, else it is asked over MQTT."""
        said, place = io.StringIO(), self._store if here else ("--node", "bench")
        with redirect_stdout(said), redirect_stderr(said):
            code = await asyncio.to_thread(main, [*arguments, *place])
        return code, said.getvalue()

    async def told(self, *arguments: str, here: bool = True) -> Any:
        code, said = await self.say(*arguments, "--json", here=here)
        assert code == 0, said
        return json.loads(said)


async def test_a_run_is_verified_deleted_restored_and_purged_while_the_daemon_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with walked(tmp_path) as road:
        await ready(road, "--speed", "50", duration=20.0)
        run = (await road.told("run", "hold.toml", "-i", "left"))["run"]
        luggin = Commands(road, monkeypatch)

        while not any("evaluat" in each["kind"] for each in (await luggin.told("show", run))["events"]):
            pass  # the run is evaluated after its end, which adds to its chain
        (there,) = await luggin.told("verify", run)
        (remote,) = await luggin.told("verify", run, here=False)
        assert there == remote, "a copy that came over MQTT bears the original's hashes"
        assert (there["findings"], there["points"]) == ([], 1000)
        for folder, here in (("here", True), ("there", False)):
            assert (await luggin.say("export", run, "-o", folder, here=here))[0] == 0
            (exported,) = await luggin.told("verify", f"./{folder}")
            assert (exported["findings"], exported["head"], exported["result"]) == ([], there["head"], there["result"])
        shown = await luggin.told("show", run, here=False)
        assert (shown["head"], shown["result"]["hash"]) == (there["head"], there["result"])
        assert (await luggin.say("verify", run, "--seen", there["result"]))[0] == 0
        code, said = await luggin.say("verify", run, "--seen", "0" * 64)
        assert (code, "written anew" in said) == (1, True)

        monkeypatch.setattr("sys.stdin", io.StringIO())
        code, said = await luggin.say("delete", run, "--reason", "wrong electrode")
        assert (code, "say --yes" in said) == (2, True)
        code, said = await luggin.say("delete", run, "--yes")
        assert (code, "--reason" in said) == (2, True)
        await luggin.told("delete", run, "--yes", "--reason", "wrong electrode")
        assert await luggin.told("runs") == await luggin.told("runs", here=False) == []
        assert [each["run"] for each in await luggin.told("runs", "--deleted", here=False)] == [run]
        code, said = await luggin.say("export", run, "-o", "deleted")
        assert (code, "is deleted" in said) == (1, True)
        await luggin.told("restore", run)
        assert [each["run"] for each in await luggin.told("runs")] == [run]
        code, said = await luggin.say("purge", run, "--yes")
        assert (code, "the second word" in said) == (1, True)

        backup = await road.told("backup", "copy.sqlite", "--store", str(road.store))
        await luggin.told("delete", run, "--yes", "--reason", "wrong electrode")
        await luggin.told("purge", run, "--yes")
        code, said = await luggin.say("show", run, here=False)
        assert (code, f"no run {run}" in said) == (1, True)
        assert all(each["findings"] == [] for each in await luggin.told("verify", "--all"))
        luggin._store = ("--store", backup["backup"])
        restored = await luggin.told("verify", "--all")
        assert [each["findings"] for each in restored] == [[]] * len(restored)
        assert there in restored


async def test_an_instrument_says_whether_it_can_execute_a_method(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        await ready(road)
        (tmp_path / "cv.toml").write_text(TECHNIQUES["cyclic-voltammetry"].example)
        told = await road.told("check", "cv.toml", "-i", "left")
        assert told["left"]["able"], told
        wide = HOLD.format(duration=1.0).replace('"0.1 V"', '"40 V"').replace("3 M KCl", "sat. KCl")
        assert tomllib.loads(wide)
        (tmp_path / "wide.toml").write_text(wide)
        code, _, err = await road.luggin("check", "wide.toml", "-i", "left")
        assert code == 3
        assert "another reference electrode" in err, "every problem is told"
        assert "40" in err
        config = ("--config", str(tmp_path / "luggin.toml"))
        code, out, _ = await road.luggin("doctor", "--json", *config)
        found = {each["what"]: each for each in json.loads(out)}
        assert (code, found["daemon"]["grade"], found["instrument left"]["grade"]) == (0, "good", "good"), out
        assert (await road.told("status"))["state"]["left"]["state"] == "Idle", "nothing was touched"
