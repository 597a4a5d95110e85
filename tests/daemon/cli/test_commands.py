"""Commands that need no daemon, and what they say when something is wrong."""

import json
from pathlib import Path

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.protocol.techniques import TECHNIQUES

CV = TECHNIQUES["cyclic-voltammetry"]


@pytest.fixture(autouse=True)
def _nobody_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path))
    monkeypatch.delenv("LUGGIN_BROKER", raising=False)


@pytest.mark.parametrize("name", sorted(TECHNIQUES))
def test_every_example_passes_the_check_and_has_its_page(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["explain", name, "--example"]) == exits.OK
    path = tmp_path / "method.toml"
    path.write_text(capsys.readouterr().out)
    assert main(["check", str(path), "--json"]) == exits.OK
    told = json.loads(capsys.readouterr().out)
    assert told["method"]["technique"] == name
    assert told["bounds"]["duration"] > 0
    assert main(["explain", name]) == exits.OK
    page = capsys.readouterr().out
    assert TECHNIQUES[name].alias in page
    assert "required" in page


def test_explain_lists_every_technique(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "--json"]) == exits.OK
    assert {each["name"] for each in json.loads(capsys.readouterr().out)} == set(TECHNIQUES)
    assert main(["explain", "swirling"]) == exits.USAGE
    assert "known are" in capsys.readouterr().err


def test_check_says_what_a_method_does(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "cv.toml"
    path.write_text(CV.example)
    assert main(["check", str(path)]) == exits.OK
    said = capsys.readouterr().out
    for part in ("at most   33 s", "2810", "-100 mV to 600 mV", "Ag/AgCl (3 M KCl)", "-0.3 V to 0.8 V"):
        assert part in said


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (CV.example.replace("100 mV/s", "100 mV"), "phases[1].scan_rate"),
        (CV.example.replace('sample = "redox-probe"', 'colour = "blue"'), "setup.colour"),
        ("a" * 70_000, "too large"),
        ("x = " + "[" * 3000, "nested too deeply"),
        ("not a method", "neither valid TOML nor valid JSON"),
    ],
)
def test_a_wrong_method_gets_sentences(
    content: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(content)
    assert main(["check", str(path)]) == exits.BAD_DOCUMENT
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["check", "nowhere.toml"], exits.BAD_DOCUMENT, "can't be read"),
        (["run"], exits.USAGE, "either a method file or --like"),
        (["status"], exits.NOT_REACHABLE, "no running daemon"),
        (["abort", "-i", "left"], exits.NOT_REACHABLE, "no running daemon"),
        (["runs"], exits.NOT_REACHABLE, "no running daemon"),
        (["plot", "some-run", "-o", "x.png", "--store", "nowhere.sqlite"], exits.NOT_REACHABLE, "nowhere.sqlite"),
        (["status", "--broker", "http://x"], exits.USAGE, "mqtt://"),
        (["status", "--broker", "mqtt://me:secret@x"], exits.USAGE, "password"),
        (["status", "--broker", "mqtt://127.0.0.1:1"], exits.NOT_REACHABLE, "no connection to the broker"),
    ],
)
def test_what_is_missing_is_said(
    arguments: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == code
    told = capsys.readouterr().err
    assert said in told
    assert "secret" not in told
    assert "defect" not in told


def test_no_command_prints_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == exits.USAGE
    assert "exit codes:" in capsys.readouterr().out
