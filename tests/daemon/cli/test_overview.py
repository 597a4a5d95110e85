"""`luggin --help`, and what becomes of words that are no command."""

import tomllib
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from luggin.daemon.cli import exits, main, overview

ROOT = Path(__file__).parents[3]
OURS = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"]["luggin.commands"]


def test_every_command_has_one_group() -> None:
    grouped = [name for names in overview.GROUPS.values() for name in names]
    assert len(grouped) == len(set(grouped))
    assert set(OURS) <= set(grouped), "a new command needs its place in overview.GROUPS"


def test_commands_of_other_packages_come_last_by_name() -> None:
    found = overview.grouped(["titrate", "run", "demo", "rinse"])
    assert found == {"first steps": ["demo"], "measure": ["run"], overview.OTHERS: ["rinse", "titrate"]}


def test_the_overview_keeps_within_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    told = overview.overview({"run": "a sentence that is rather long " * 5, "make-safe": "short"})
    assert max(map(len, told.splitlines())) <= 60
    assert "\n  run        a sentence" in told
    assert all(f"\n  {code}  " in told for code in exits.MEANING)


def test_a_broken_command_hides_no_other(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    entries = [
        EntryPoint("rinse", "no_such_package.rinse", "luggin.commands"),
        EntryPoint("unit", "luggin.daemon.cli.unit", "luggin.commands"),
    ]
    monkeypatch.setattr(main, "entry_points", lambda group: entries)
    with pytest.raises(SystemExit) as ended:
        main.main(["--help"])
    assert ended.value.code == exits.OK
    told = capsys.readouterr().out
    assert "can't be loaded: No module named 'no_such_package'" in told
    assert "systemd unit" in told
    assert main.main(["rinse"]) == exits.FAILED
    assert "can't be loaded" in capsys.readouterr().err


@pytest.mark.parametrize(("word", "hint"), [("abrot", "did you mean abort?"), ("qqq", "`luggin --help` lists them")])
def test_no_such_command(word: str, hint: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main([word]) == exits.USAGE
    assert capsys.readouterr().err == f"luggin: there is no command {word}; {hint}\n"


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main.main(["--version"])
    assert capsys.readouterr().out.startswith("luggin ")
