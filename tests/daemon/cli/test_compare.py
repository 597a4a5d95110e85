"""luggin compare, and runs with conditions, on a store that no daemon has open."""

import asyncio
import csv
import json
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.daemon.evaluation.functions import evaluate
from luggin.daemon.store import Store
from support.evaluated import evaluation, unpack_old_store
from support.stored_runs import result
from support.voltammograms import header_of, pulse_columns, run_of, store_voltammogram

DPV = "differential-pulse-voltammetry"


@pytest.fixture(autouse=True)
def _nobody_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "home"))
    monkeypatch.delenv("LUGGIN_BROKER", raising=False)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("compare") / "runs.sqlite"

    async def fill() -> None:
        async with Store.open(path, interval=0.01, slow_interval=0.01) as opened:
            for number in range(4):
                tags = [f"20261125-100000-day/{number + 1}"]
                setup = {"reference": "SCE", "electrode": "gc-3", "sample": f"sample {number % 2}", "tags": tags}
                columns = pulse_columns(seed=number, height=(1 + number) * 1e-6)
                await store_voltammogram(opened, f"run-{number}", DPV, columns, setup=setup)
                if number < 3:
                    found = evaluate("peaks", [run_of(DPV, columns)], {})
                    await opened.add_evaluation(evaluation(f"p-{number}", (f"run-{number}",), body=dict(found.body)))
            await opened.begin_run(header_of("empty", DPV, setup={"reference": "SCE"}))
            await opened.finish_run(result("empty", 0))

    asyncio.run(fill())
    return path


def say(capsys: pytest.CaptureFixture[str], store: Path, *arguments: str, code: int = exits.OK) -> str:
    assert main([*arguments, "--store", str(store)]) == code
    told = capsys.readouterr()
    assert "defect" not in told.err
    return told.out if code == exits.OK else told.err


def test_difference_mean_blank_and_overlay(store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (told,) = json.loads(say(capsys, store, "compare", "run-1", "run-0", "--difference", "--json"))
    assert max(told["columns"]["difference"]) == pytest.approx(1e-6, rel=0.02)
    assert told["units"] == {"applied_potential": "V", "difference": "A"}
    page = say(capsys, store, "compare", "run-0", "run-1", "run-2", "--mean", "-o", str(tmp_path / "mean.pdf"))
    assert "mean / A" in page
    assert "mean of 3 runs, 95% limits of the mean" in page
    assert (tmp_path / "mean.pdf").read_bytes().startswith(b"%PDF")
    say(capsys, store, "compare", "run-3", "--blank", "run-0", "-o", str(tmp_path / "left.csv"))
    with (tmp_path / "left.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert max(float(row["above_blank / A"]) for row in rows) == pytest.approx(3e-6, rel=0.02)
    page = say(capsys, store, "compare", "20261125-100000-day", "empty", "-o", str(tmp_path / "all.svg"))
    assert page.index("run-0") < page.index("run-3")
    assert "no point is fit to be compared" in page


def test_the_trend_of_a_peak(store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ("compare", "20261125-100000-day", "--trend", "largest-peak.height")
    told = json.loads(say(capsys, store, *asked, "--json"))
    assert [each["value"] is None for each in told["values"]] == [False, False, False, True]
    assert told["trend"]["slope"]["value"] == pytest.approx(1e-6, rel=0.02)
    assert (told["unit"], told["trend"]["left_out"]) == ("A", 1)
    page = say(capsys, store, *asked, "-o", str(tmp_path / "trend.png"))
    assert "A per run" in page
    assert "a trend" in page
    assert (tmp_path / "trend.png").read_bytes().startswith(b"\x89PNG")
    # All of them began at the same time.
    assert "none: two values at different places are needed" in say(capsys, store, *asked, "--over", "time")


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["run-0", "run-1", "run-2", "--difference"], exits.USAGE, "a difference is of two runs, not of 3"),
        (["run-0", "--mean"], exits.FAILED, "One run has no spread"),
        (["run-0", "empty", "--mean"], exits.FAILED, "empty has fewer than two points"),
        (["run-0", "--blank", "empty"], exits.FAILED, "empty has fewer than two points"),
        (["run-0", "--blank", "nothing"], exits.FAILED, "no run nothing is stored"),
        (["run-0", "--trend", "colour"], exits.FAILED, "there are largest-peak.height"),
        (["run-3", "--trend", "colour"], exits.FAILED, "look for them, such as with `luggin peaks RUN --detect`"),
        (["run-0", "-o", "x.bmp"], exits.FAILED, "names no picture format"),
        (["run-0", "run-1", "-o", "x.csv"], exits.FAILED, "would hold 2 tables"),
        (["run-0", "--confidence", "2"], exits.USAGE, "give a share such as 0.95"),
        (["nothing"], exits.FAILED, "no run, evaluation or sequence nothing"),
    ],
)
def test_what_cannot_be_done(
    arguments: list[str], code: int, said: str, store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert said in say(capsys, store, "compare", *arguments, code=code)


def found(capsys: pytest.CaptureFixture[str], store: Path, *conditions: str) -> list[Any]:
    return [each["run"] for each in json.loads(say(capsys, store, "runs", "--json", *conditions))]


def test_runs_with_conditions(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert found(capsys, store, "--sample", "sample 1") == ["run-3", "run-1"]
    assert found(capsys, store, "--technique", "DPV", "--sequence", "20261125-100000-day", "-n", "1") == ["run-3"]
    assert found(capsys, store, "--sequence", "20261125-100000-day", "--before", "run-1") == ["run-0"]
    assert found(capsys, store, "--until", "2026-09-20") == []
    assert len(found(capsys, store, "--since", "2026-09-21", "--until", "2026-09-21")) == 5
    page = say(capsys, store, "runs", "--sample", "sample 1", "-n", "1")
    assert "perhaps there are more: --before run-3" in page
    assert "no stored run fits" in say(capsys, store, "runs", "--text", "no such words")
    assert "is no date; write 2026-11-25" in say(capsys, store, "runs", "--since", "yesterday", code=exits.USAGE)
    assert "there is no technique 'swirling'" in say(capsys, store, "runs", "--technique", "swirling", code=exits.USAGE)


def test_runs_of_an_old_store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    unpack_old_store(tmp_path / "old.sqlite")
    page = say(capsys, tmp_path / "old.sqlite", "compare", "run-1", "-o", str(tmp_path / "old.png"))
    assert "applied_potential / V" in page
    assert (tmp_path / "old.png").stat().st_size > 10_000
