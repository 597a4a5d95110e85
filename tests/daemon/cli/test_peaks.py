"""luggin peaks, show and plot on a store that no daemon has open."""

import asyncio
from pathlib import Path

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.daemon.store import Store, open_store, verify
from support.commands import Shell
from support.evaluated import unpack_old_store
from support.voltammograms import cyclic_columns, pulse_columns, store_voltammogram

TABLE = "E_p / V"


@pytest.fixture(autouse=True)
def _nobody_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "home"))
    monkeypatch.delenv("LUGGIN_BROKER", raising=False)


@pytest.fixture
def luggin(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    async def fill() -> None:
        async with Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as store:
            await store_voltammogram(store, "swv-1", "square-wave-voltammetry", pulse_columns())
            await store_voltammogram(store, "cv-1", "cyclic-voltammetry", cyclic_columns(8, 100))

    asyncio.run(fill())
    return Shell(tmp_path / "runs.sqlite", capsys)


def test_peaks_are_looked_for_and_shown(luggin: Shell) -> None:
    assert "no peaks of swv-1 are stored; `luggin peaks swv-1 --detect` looks for them" in luggin(
        "peaks", "swv-1", code=exits.FAILED
    )
    said = luggin("peaks", "swv-1", "--detect")
    assert "baseline straight" in said
    assert "0.3499" in said
    assert "anodic" in said
    assert luggin("peaks", "swv-1") == said
    made = luggin.told("peaks", "swv-1")
    assert made["runs"] == ["swv-1"]
    assert made["verified"] is True
    assert TABLE in luggin("show", "swv-1")
    assert luggin.told("show", "swv-1")["peaks"] == made
    assert TABLE not in luggin("show", "cv-1")


def test_settings_of_the_command_line_and_of_a_file(luggin: Shell, tmp_path: Path) -> None:
    options = ("--baseline", "straight", "--anchors", "0.2", "500mV", "--smoothing", "12mV", "--search", "-0.05", "0.7")
    luggin("peaks", "swv-1", *options, "--analyte", "paracetamol", "0.2", "0.5")
    made = luggin.told("peaks", "swv-1")["settings"]
    assert made["baseline"] == {"kind": "straight", "anchors": [0.2, 0.5]}
    assert made["smoothing"]["width"] == 0.012
    assert made["search"] == [-0.05, 0.7]
    assert made["analytes"][0]["name"] == "paracetamol"
    said = luggin("peaks", "swv-1")
    assert "baseline straight at 0.2 and 0.5 V; smoothed over 12 mV; searched from -0.05 to 0.7 V" in said
    assert "paracetamol" in said
    path = tmp_path / "settings.toml"
    for text in (
        "significance = 6\n",
        "[evaluation]\nsignificance = 6\n",
        '[[evaluation]]\nkind = "peaks"\nsignificance = 6\n',
    ):
        path.write_text(text)
        made = luggin.told("peaks", "swv-1", "--settings", str(path), "--search", "0", "1")["settings"]
        assert (made["significance"], made["search"]) == (6, [0, 1])


def test_by_hand_on_top_of_what_was_found_last(luggin: Shell) -> None:
    luggin("peaks", "swv-1", "--baseline", "polynomial")
    assert "no peak" in luggin("peaks", "swv-1", "--remove", "0.36 V")
    said = luggin("peaks", "swv-1", "--set", "0.2", "0.5", "--at", "0.34")
    assert "by hand" in said
    made = luggin.told("peaks", "swv-1")
    assert made["settings"]["baseline"]["kind"] == "polynomial"
    assert [edit["action"] for edit in made["settings"]["edits"]] == ["remove", "set"]
    listed = luggin("peaks", "swv-1", "--all").splitlines()
    assert len(listed) == 4
    assert listed[1].endswith("remove at 0.36 V, set at 0.34 V between 0.2 and 0.5 V")
    assert listed[3].endswith("-")
    every = luggin.told("peaks", "swv-1", "--all")
    first = every[-1]["name"]
    assert "anodic" in luggin("peaks", "swv-1", "--evaluation", first)
    assert len({each["name"] for each in every}) == 3
    with open_store(luggin.store) as archive:
        assert verify(archive, "swv-1") == []


def test_one_sweep_of_many(luggin: Shell) -> None:
    assert "the run has 16 sweeps; say in which one" in luggin("peaks", "cv-1", "--remove", "0.2", code=exits.FAILED)
    assert luggin.told("peaks", "cv-1", "--remove", "0.2", "--sweep", "3")["body"]["sweeps"][2]["peaks"] == []
    said = luggin("show", "cv-1")
    assert "... and 3 more" in said
    assert "E_1/2 / V" in said


def test_a_picture_with_peaks(luggin: Shell, tmp_path: Path) -> None:
    path = tmp_path / "picture.png"
    assert "no peaks of cv-1 are stored" in luggin("plot", "cv-1", "--peaks", "-o", str(path), code=exits.FAILED)
    luggin("peaks", "cv-1", "--detect")
    assert main(["plot", "cv-1", "--peaks", "-o", str(path), "--store", str(luggin.store)]) == exits.OK
    assert path.read_bytes().startswith(b"\x89PNG")


def test_runs_of_an_old_store(luggin: Shell) -> None:
    unpack_old_store(luggin.store)
    assert "no peaks of run-1" in luggin("peaks", "run-1", code=exits.FAILED)
    assert TABLE not in luggin("show", "run-1")
    assert "0.349998 ± 0.000058" in luggin("peaks", "run-1", "--detect")
    assert "run run-2 has not ended" in luggin("peaks", "run-2", "--detect", code=exits.FAILED)


@pytest.mark.parametrize(
    ("options", "code", "sentence"),
    [
        (["--remove", "1 A"], exits.USAGE, "a potential was expected"),
        (["--remove", "0.3", "--set", "0.1", "0.4"], exits.USAGE, "set a peak or remove one"),
        (["--at", "0.3"], exits.USAGE, "give --set too"),
        (["--sweep", "3"], exits.USAGE, "--sweep goes with --set or --remove"),
        (["--anchors", "0", "1"], exits.USAGE, "--anchors go with --baseline straight or tangent"),
        (["--settings", "nowhere.toml"], exits.BAD_DOCUMENT, "nowhere.toml can't be read"),
        (["--search", "0.5", "x"], exits.USAGE, "a potential was expected"),
        (["--analyte", "a", "0.5", "0.2"], exits.FAILED, "give the lower potential first"),
        (["--evaluation", "none"], exits.FAILED, "no evaluation none is stored"),
        (["--remove", "0.7"], exits.FAILED, "there is no peak at 0.7 V to remove; the nearest one is at 0.35 V"),
    ],
)
def test_what_is_wrong_is_said(luggin: Shell, options: list[str], code: int, sentence: str) -> None:
    assert sentence in luggin("peaks", "swv-1", *options, code=code)


def test_a_baseline_in_a_file_that_is_no_table_is_said(luggin: Shell, tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text('baseline = "straight"\n')
    options = ("--settings", str(file), "--anchors", "0", "1")
    assert "--anchors go with --baseline" in luggin("peaks", "swv-1", *options, code=exits.USAGE)


def test_unknown_runs(luggin: Shell) -> None:
    assert "no run run-9 is stored; `luggin runs` lists what is there" in luggin(
        "peaks", "run-9", "--detect", code=exits.FAILED
    )
