"""luggin chart and luggin electrode on a store that no daemon has."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.daemon.store import Store
from luggin.protocol.payloads import Evaluation
from support.evaluated import evaluation
from support.runs import store_run

Run = Callable[..., tuple[int, str]]
RESISTANCES = [11000.0, 11004.0, 10996.0, 11001.0, 10999.0, 11200.0]


def made(number: int, value: float) -> Evaluation:
    return evaluation(
        f"made-{number}",
        (),
        kind="qualification",
        subject="instrument/bench-1",
        utc=1_790_000_000.0 + 86400 * number,
        body={
            "against": "dummy-r-rc",
            "items": [],
            "passed": True,
            "quantities": {"resistance.10uA": value},
            "units": {"resistance.10uA": "ohm"},
        },
    )


def peaks(run: str, height: float) -> Evaluation:
    quantities = {"quantities": {"paracetamol.height": height}, "units": {"paracetamol.height": "A"}}
    return evaluation(f"of-{run}", (run,), kind="heights", body=quantities)


@pytest.fixture
async def path(tmp_path: Path) -> Path:
    where = tmp_path / "runs.sqlite"
    async with Store.open(where, interval=0.005) as store:
        for number, value in enumerate(RESISTANCES):
            await store.add_evaluation(made(number, value))
        for run, height in (("run-1", 1e-6), ("run-2", 2e-6)):
            await store_run(store, run, 100)
            await store.add_evaluation(peaks(run, height))
    return where


@pytest.fixture
def luggin(path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: str) -> tuple[int, str]:
        code = main([*arguments, "--store", str(path)])
        captured = capsys.readouterr()
        return code, captured.out + captured.err

    return run


def test_a_quantity_of_a_subject_is_charted_with_its_limits(luggin: Run, tmp_path: Path) -> None:
    told: dict[str, Any] = json.loads(luggin("chart", "instrument/bench-1", "resistance.10uA", "--json")[1])
    assert [each["value"] for each in told["values"]] == RESISTANCES
    assert {each["unit"] for each in told["values"]} == {"ohm"}
    told = json.loads(
        luggin("chart", "instrument/bench-1", "resistance.10uA", "--baseline", "5", "--json")[1],
    )
    assert told["beyond"] == [5]
    # mean +- 2.66 mean moving range (Montgomery; ISO 7870-2, from memory)
    assert told["upper"] == pytest.approx(11000.0 + 2.66 * 4.75, abs=0.02)
    code, out = luggin("chart", "instrument/bench-1", "resistance.10uA", "--baseline", "5")
    assert code == exits.OK
    assert "beyond a limit" in out
    assert "11.2 kohm" in out
    picture = tmp_path / "chart.png"
    assert luggin("chart", "instrument/bench-1", "resistance.10uA", "-o", str(picture)) == (0, f"{picture}\n")
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_evaluations_of_runs_belong_to_what_the_runs_name(luggin: Run) -> None:
    told = json.loads(luggin("chart", "sample/column outlet, invented", "paracetamol.height", "--json")[1])
    assert [(each["run"], each["value"]) for each in told["values"]] == [("run-1", 1e-6), ("run-2", 2e-6)]
    code, out = luggin("chart", "instrument/bench-1")
    assert code == exits.OK
    assert out.split("\n")[1].split() == ["heights", "paracetamol.height", "2"]
    assert out.split("\n")[2].split() == ["qualification", "resistance.10uA", "6"]


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("bench-1", "resistance.10uA"), exits.USAGE, "no subject of a chart"),
        (("instrument/bench-1", "width"), exits.FAILED, "0 values are stored of width"),
        (("instrument/bench-1", "resistance.10uA", "--baseline", "9"), exits.USAGE, "baseline is 9"),
        (("instrument/bench-1", "resistance.10uA", "-o", "chart.xyz"), exits.FAILED, "no picture format"),
    ],
)
def test_what_can_not_be_charted_is_told(luggin: Run, arguments: tuple[str, ...], code: int, words: str) -> None:
    found, out = luggin("chart", *arguments)
    assert found == code
    assert words in out


def test_the_record_of_an_electrode_holds_its_runs_and_what_people_did(luggin: Run) -> None:
    code, out = luggin("electrode", "glassy carbon", "--note", "polished, 0.05 um alumina")
    assert code == exits.OK, out
    record = json.loads(luggin("electrode", "glassy carbon", "--json")[1])
    (entry,) = record["entries"]
    assert (entry["kind"], entry["subject"], entry["body"]) == (
        "note",
        "electrode/glassy carbon",
        {"text": "polished, 0.05 um alumina"},
    )
    assert entry["verified"]
    assert [each["run"] for each in record["runs"]] == ["run-2", "run-1"]
    assert record["total"]["anodic"] == pytest.approx(sum(each["usage"]["anodic"] for each in record["runs"]))
    code, out = luggin("electrode", "glassy carbon")
    assert code == exits.OK
    assert "polished, 0.05 um alumina" in out
    code, out = luggin("electrode", "Ag/AgCl (3 M KCl)", "--reference")
    assert code == exits.OK, out
    assert "runs        2" in out
    code, out = luggin("electrode", "gold")
    assert (code, "nothing is stored of electrode/gold" in out) == (exits.FAILED, True)


@pytest.mark.parametrize(("name", "text", "field"), [(" gold", "polished", "subject"), ("gold", " p ", "text")])
def test_a_note_that_can_not_be_kept_is_told(luggin: Run, name: str, text: str, field: str) -> None:
    code, out = luggin("electrode", name, "--note", text)
    assert code == exits.USAGE
    assert out.startswith(f"luggin: {field} = ")
