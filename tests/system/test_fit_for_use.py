"""Fit for use, with real processes: instruments qualified on dummy cells, runs refused or flagged, a look before."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from support.road import REFERENCE, Road, serial, walked

pytestmark = pytest.mark.long

SWEEP = {
    "phase": "measure",
    "initial_potential": "0 V",
    "final_potential": "0.1 V",
    "scan_rate": "100 mV/s",
    "step": "2 mV",
}
CELL = """
title = "A cell in solution"
source = "Invented"
[interface]
series_resistance = "{series}"
double_layer = "1.4 uF"
leak_resistance = "1 Mohm"
"""


def method(**more: Any) -> str:
    return json.dumps(
        {
            "version": 1,
            "name": "outlet-sweep",
            "technique": "linear-sweep-voltammetry",
            "setup": {"reference": REFERENCE, "electrode": "gc-3", "sample": "column outlet"},
            "phases": [SWEEP],
            **more,
        }
    )


async def qualified(road: Road, cell: str) -> tuple[int, dict[str, Any]]:
    code, out, err = await road.luggin("qualify", "left", "--cell", cell, "--connected", "--json", "--node", "bench")
    assert code in (0, 1), err
    made: dict[str, Any] = json.loads(out)
    return code, made


async def started(road: Road, name: str, document: str, request: str) -> dict[str, Any]:
    """The reply to a start over the daemon's socket."""
    token = (await road.until(name, state="Idle", cell="off"))["token"]
    order = {"request": request, "token": token, "method": json.loads(document)}
    return await road.ask({"instrument": name, "verb": "start", "command": order})


async def ended(road: Road, run: str) -> dict[str, Any]:
    """The run as the store has it, with its result."""
    await road.until(run.split("-")[2], state="Idle")
    question = {"instrument": "store", "verb": "run", "command": {"request": f"about-{run}"[:64], "run": run}}
    told: dict[str, Any] = (await road.ask(question))["data"]
    assert told["result"] is not None
    return told


@pytest.mark.timeout(60)
async def test_an_instrument_is_qualified_and_a_method_relies_upon_it(tmp_path: Path) -> None:
    strict = method(requires={"instrument_qualification": "refuse"})
    mild = method(requires={"instrument_qualification": "flag"})
    (tmp_path / "strict.json").write_text(strict)
    (tmp_path / "wrong.toml").write_text(
        'name = "dummy-13k"\nseries_resistance = "1 kohm"\nparallel_resistance = "12 kohm"\ncapacitance = "1 uF"\n'
    )
    lacking = "requires.instrument_qualification: instrument/left has no qualification"
    async with walked(tmp_path) as road:
        await road.simulate("left", "dummy-r-rc", "--speed", "100", "--model", "field")
        await road.serve({"left": serial(tmp_path, "left")})
        await road.until("left", state="Idle", cell="off", link="up")

        # Nobody said that the dummy cell is there; and nothing starts that requires a qualification.
        code, _, err = await road.luggin("qualify", "left", "--cell", "dummy-r-rc", "--node", "bench")
        assert (code, "Put the dummy cell dummy-r-rc" in err) == (2, True)
        refused = await started(road, "left", strict, "a1")
        assert not refused["accepted"]
        assert lacking in refused["problems"][0]
        checked = {"request": "a2", "method": json.loads(strict)}
        reply = await road.ask({"instrument": "left", "verb": "check", "command": checked})
        assert lacking in reply["problems"][0]
        sequence = {"version": 1, "name": "day", "methods": {"sweep": json.loads(strict)}, "steps": [{"run": "sweep"}]}
        token = (await road.until("left", state="Idle"))["token"]
        begun = {"request": "a3", "token": token, "sequence": sequence}
        reply = await road.ask({"instrument": "left", "verb": "sequence", "command": begun})
        assert not reply["accepted"]
        assert lacking in reply["sentence"]
        assert (await road.until("left", state="Idle"))["run"] is None

        flagged = await ended(road, (await started(road, "left", mild, "a4"))["run"])
        assert flagged["result"]["flagged"]
        assert flagged["header"]["doubts"] == ["Instrument/left has no qualification."]
        told = [each["sentence"] for each in flagged["events"] if each["kind"] == "flagged"]
        assert told == flagged["header"]["doubts"]

        # With other parts in its place the instrument doesn't pass; that counts for as long as it is the newest.
        code, made = await qualified(road, "wrong.toml")
        assert code == 1
        failed = {each["name"] for each in made["body"]["items"] if not each["passed"]}
        assert {"resistance.10uA", "parallel-resistance"} <= failed
        assert not {"series-resistance", "noise.10uA", "offset.10uA"} & failed
        code, _, err = await road.luggin("run", "strict.json", "-i", "left", "--node", "bench")
        assert code == 3
        assert f"the qualification {made['name']} of instrument/left has not passed: resistance." in err

        code, made = await qualified(road, "dummy-r-rc")
        assert code == 0, [each for each in made["body"]["items"] if not each["passed"]]
        assert made["subject"] == "instrument/left"
        values = made["body"]["quantities"]
        assert values["resistance.10uA"] == pytest.approx(11e3, rel=0.01)
        assert values["capacitance"] == pytest.approx(1e-6, rel=0.05)
        sound = await ended(road, (await started(road, "left", strict, "a5"))["run"])
        assert (sound["result"]["state"], sound["result"]["flagged"]) == ("Complete", False)
        (relied,) = [each for each in sound["events"] if each["kind"] == "relied-upon"]
        assert relied["data"] == {"evaluation": made["name"], "runs": made["runs"]}


@pytest.mark.timeout(60)
async def test_a_look_at_the_cell_comes_before_the_run(tmp_path: Path) -> None:
    document = method(pre_flight={"rest": "1 s"})
    (tmp_path / "sound.toml").write_text(CELL.format(series="120 ohm"))
    (tmp_path / "dry.toml").write_text(CELL.format(series="300 kohm"))
    async with walked(tmp_path) as road:
        await asyncio.gather(
            road.simulate("left", str(tmp_path / "sound.toml"), "--speed", "20"),
            road.simulate("right", str(tmp_path / "dry.toml"), "--speed", "20"),
            road.simulate("lost", str(tmp_path / "sound.toml"), "--speed", "20", "--fault", "reference-lost@0"),
        )
        await road.serve({name: serial(tmp_path, name) for name in ("left", "right", "lost")})
        sound, dry, lost = [await started(road, name, document, f"a-{name}") for name in ("left", "right", "lost")]
        run = await ended(road, sound["run"])
        assert (run["result"]["state"], run["result"]["flagged"]) == ("Complete", False)
        (relied,) = [each for each in run["events"] if each["kind"] == "relied-upon"]
        look = await ended(road, relied["data"]["runs"][0])
        assert look["header"]["method"]["setup"]["tags"] == ["pre-flight"]
        assert look["header"]["method"]["name"] == "before-outlet-sweep"
        assert (dry["accepted"], dry["run"]) == (False, None)
        assert "above 10 kohm: a blocked or dry reference" in dry["problems"][0]
        assert not lost["accepted"]
        assert "a bubble in the Luggin capillary" in lost["sentence"]
        assert lost["sentence"].endswith("The method was not started.")
        await road.until("lost", state="Aborted", cell="off")
        code, _, err = await road.luggin("qualify", "lost", "--cell", "dummy-r-rc", "--connected", "--node", "bench")
        assert code == 1
        assert "the qualification was given up: A run could not start" in err
        token = (await road.until("right", state="Idle"))["token"]
        mild = json.loads(method(pre_flight={"rest": "1 s", "unfit": "flag"}))
        order = {"request": "a-mild", "token": token, "method": mild}
        reply = await road.ask({"instrument": "right", "verb": "start", "command": order})
        assert (await ended(road, reply["run"]))["result"]["flagged"]


@pytest.mark.long
@pytest.mark.timeout(120)
async def test_an_electrode_is_qualified_in_the_redox_probe(tmp_path: Path) -> None:
    probe = {
        "name": "quick",
        "reference": REFERENCE,
        "contains": "oxidised",
        "half_wave_potential": "0.23 V",
        "scan_rates": ["100 mV/s", "200 mV/s", "400 mV/s"],
        "step": "2 mV",
        "concentration": "1 mM",
        "diffusion_coefficient": "7.17e-6 cm2/s",
    }
    (tmp_path / "quick.json").write_text(json.dumps(probe))
    (tmp_path / "strict.json").write_text(method(requires={"electrode_qualification": "refuse"}))
    async with walked(tmp_path) as road:
        await road.simulate("left", "redox-probe", "--speed", "200")
        await road.serve({"left": {**serial(tmp_path, "left"), "electrode": "gc-3", "area": "7.07 mm2"}})
        await road.until("left", state="Idle", cell="off", link="up")
        code, _, err = await road.luggin("run", "strict.json", "-i", "left", "--node", "bench")
        assert code == 3
        assert "electrode/gc-3 has no qualification" in err
        code, out, err = await road.luggin(
            "qualify", "left", "--electrode", "gc-3", "--probe", "quick.json", "--connected", "--node", "bench"
        )
        assert code == 0, out + err
        assert "electrode/gc-3 against quick: PASSED" in out
        assert "of the peak separation are ohmic drop" in out
        result = await road.told("run", "strict.json", "-i", "left", "--node", "bench")
        assert result["state"] == "Complete"
        code, out, _ = await road.luggin("electrode", "gc-3")
        assert code == 0
        assert "qualified in quick" in out
