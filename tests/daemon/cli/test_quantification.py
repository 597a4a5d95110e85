"""luggin calibrate, concentration, addition and results on a store that no daemon has open; invented curves."""

import asyncio
import json
from pathlib import Path

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.daemon.store import Store
from luggin.protocol.sequence.addition import EXAMPLE, EXAMPLE_METHOD
from support.commands import Shell
from support.evaluated import unpack_old_store
from support.quantified import DPV, WINDOW
from support.voltammograms import pulse_columns, store_voltammogram

PEAKS = {"kind": "peaks", "analytes": [WINDOW]}
LEVELS = tuple(word for n in range(1, 5) for word in ("--level", f"{n} mg/L", f"std-{n}"))
NAMED = ("--name", "paracetamol-gc-3", "--analyte", "paracetamol")


@pytest.fixture(autouse=True)
def _nobody_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "home"))
    monkeypatch.delenv("LUGGIN_BROKER", raising=False)


@pytest.fixture
def luggin(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    async def fill() -> None:
        async with Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as store:
            for number in range(1, 5):
                curve = pulse_columns(seed=number, height=number * 1e-6)
                await store_voltammogram(store, f"std-{number}", DPV, curve, evaluation=PEAKS)
            await store_voltammogram(store, "unknown", DPV, pulse_columns(seed=9, height=2.5e-6), evaluation=PEAKS)
            await store_voltammogram(store, "blank", DPV, pulse_columns(seed=8, height=0.0), evaluation=PEAKS)
            empty = {name: values[:0] for name, values in pulse_columns().items()}
            await store_voltammogram(store, "nothing", DPV, empty, evaluation=PEAKS)

    asyncio.run(fill())
    return Shell(tmp_path / "runs.sqlite", capsys)


def test_from_standards_to_a_result(luggin: Shell, tmp_path: Path) -> None:
    picture = tmp_path / "line.png"
    said = luggin("calibrate", *NAMED, *LEVELS, "--valid-for", "3 d", "--plot", str(picture))
    assert "calibration 'paracetamol-gc-3' of paracetamol" in said
    assert "valid for 3 d" in said
    for definition in ("ISO 11843-2", "DIN 32645 calibration line", "ICH Q2(R2), 3.3 s/S"):
        assert definition in said
    assert picture.stat().st_size > 5000
    said = luggin("concentration", "unknown", "--calibration", "paracetamol-gc-3", "--dilution", "10")
    assert "measured    2." in said
    assert "RESULT      2" in said
    assert "95 % interval" in said
    made = luggin.told("concentration", "unknown", "--calibration", "paracetamol-gc-3", "--blank", "blank")
    assert made["body"]["concentration"]["value"] == pytest.approx(2.5e-3, rel=0.03)
    assert made["settings"]["calibration"] == made["body"]["calibration"]
    assert made["runs"] == ["unknown", "blank"]
    assert made["body"]["readings"][1]["note"] == "no peak of paracetamol was found; its signal counts as 0"
    spiked = ("--added", "2.5 mg/L")
    assert "recovery    " in luggin("concentration", "unknown", "--calibration", "paracetamol-gc-3", *spiked)


def test_results_of_every_kind_are_listed_and_shown(luggin: Shell) -> None:
    assert luggin("results") == "nothing of that kind is stored\n"
    luggin("peaks", "std-1", "--analyte", "paracetamol", "0.2", "0.5")
    luggin("calibrate", *NAMED, *LEVELS)
    listed = luggin.told("results")
    assert [each["kind"] for each in listed] == ["calibration", "peaks"]
    assert listed[0]["subject"] == "calibration/paracetamol-gc-3"
    assert len(luggin("results", "--kind", "calibration").splitlines()) == 2
    assert len(luggin("results", "--run", "std-1").splitlines()) == 3
    shown = luggin("results", "paracetamol-gc-3")
    assert luggin("results", listed[0]["name"]) == shown
    assert "residual sd" in shown
    assert "E_p / V" in luggin("results", listed[1]["name"])
    assert luggin.told("results", listed[0]["name"])["kind"] == "calibration"
    assert "which has no line" in luggin("results", listed[1]["name"], "--plot", "a.png", code=exits.FAILED)
    assert "names no picture format" in luggin("results", listed[0]["name"], "--plot", "a.xyz", code=exits.FAILED)
    assert "no evaluation" in luggin("results", "nobody", code=exits.FAILED)


def test_a_document_and_options_go_together(luggin: Shell, tmp_path: Path) -> None:
    path = tmp_path / "standards.toml"
    runs = "".join(f'[[levels]]\nconcentration = "{n} mg/L"\nruns = ["std-{n}"]\n' for n in range(1, 5))
    path.write_text(f'name = "from-file"\nanalyte = "paracetamol"\nweighting = "1/x"\n{runs}')
    made = luggin.told("calibrate", str(path), "--name", "renamed", "--leave-out", "std-4")
    assert made["settings"]["weighting"] == "1/x"
    assert made["subject"] == "calibration/renamed"
    assert "Run std-4: left out by hand." in made["warnings"]


@pytest.mark.parametrize(
    ("arguments", "says", "code"),
    [
        (("calibrate", *NAMED, "--level", "0"), "--level '0' names no run", exits.USAGE),
        (("calibrate", *NAMED, *LEVELS[:6]), "at least three different concentrations", exits.BAD_DOCUMENT),
        (("calibrate", *NAMED[:2], *LEVELS), "analyte: this field is missing", exits.BAD_DOCUMENT),
        (("calibrate", *NAMED, *LEVELS, "--level", "5 mM", "unknown"), "level 4: '5 mM' is in mM", exits.BAD_DOCUMENT),
        (("calibrate", *NAMED, *LEVELS, "--level", "5 mg/L", "nobody"), "no run nobody is stored", exits.FAILED),
        (
            ("concentration", "unknown", "--calibration", "a"),
            "calibration is a, and no such one is stored",
            exits.FAILED,
        ),
        (
            ("concentration", "unknown", "--calibration", "a", "--dilution", "0.5"),
            "dilution = 0.5",
            exits.BAD_DOCUMENT,
        ),
        (("concentration", "unknown", "--calibration", "a", "--unspiked", "b"), "goes with --added", exits.USAGE),
        (("addition",), "name a plan; `luggin addition --example` prints one", exits.USAGE),
        (("addition", "nowhere.toml"), "nowhere.toml can't be read", exits.BAD_DOCUMENT),
    ],
)
def test_what_is_wrong_is_one_sentence(luggin: Shell, arguments: tuple[str, ...], says: str, code: int) -> None:
    said = luggin(*arguments, code=code)
    assert says in said
    assert len(said.splitlines()) == 1


def test_an_empty_curve_is_told(luggin: Shell) -> None:
    luggin("calibrate", *NAMED, *LEVELS)
    said = luggin("concentration", "nothing", "--calibration", "paracetamol-gc-3", code=exits.FAILED)
    assert "no run of the sample counts: Run nothing: its curve has too few usable points for a peak." in said


def test_a_plan_is_checked_compiled_and_evaluated(
    luggin: Shell, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for option, name in (("--example", "plan.toml"), ("--example-method", "dpv.toml")):
        assert main(["addition", option]) == exits.OK
        (tmp_path / name).write_text(capsys.readouterr().out)
    plan = tmp_path / "plan.toml"
    assert plan.read_text() == EXAMPLE
    assert (tmp_path / "dpv.toml").read_text() == EXAMPLE_METHOD
    said = luggin("addition", str(plan), "--check")
    assert "valid plan 'column-outlet', paracetamol; 3 runs of each solution" in said
    assert "> Addition 1 of 3: add 50 µL of the 4 mmol/L standard of paracetamol." in said
    compiled = json.loads(luggin("addition", str(plan), "--compile"))
    assert compiled["evaluation"]["kind"] == "standard-addition"
    assert luggin.told("addition", str(plan), "--check") == compiled
    labels = "".join(f'std-{n} = "{"sample" if n == 1 else f"addition-{n - 1}"}"\n' for n in range(1, 5))
    plan.write_text(f"{EXAMPLE}\n[labels]\n{labels}")
    runs = ("std-1", "std-2", "std-3", "std-4")
    said = luggin("addition", str(plan), "--evaluate", *runs)
    assert "standard addition 'column-outlet', paracetamol in column-outlet" in said
    assert "RESULT      " in said
    assert "sample has 1 runs and the plan asks for 3" in said
    left = luggin.told("addition", str(plan), "--evaluate", *runs, "--leave-out", "std-4")
    assert [level["label"] for level in left["body"]["levels"]] == ["sample", "addition-1", "addition-2"]
    plan.write_text(EXAMPLE.replace('"10 mL"           # put', '"10 mV"           # put'))
    assert "sample_volume = '10 mV'" in luggin("addition", str(plan), "--check", code=exits.BAD_DOCUMENT)


def test_runs_recorded_before_there_was_any_of_this(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = Shell(tmp_path / "old.sqlite", capsys)
    unpack_old_store(old.store)
    levels = ("--level", "1 mM", "run-1", "--level", "2 mM", "run-2", "--level", "3 mM", "run-3")
    assert "run-2 has not ended" in old("calibrate", *NAMED, *levels, code=exits.FAILED)
    said = old("concentration", "run-1", "--calibration", "paracetamol-gc-3", code=exits.FAILED)
    assert "no such one is stored" in said
