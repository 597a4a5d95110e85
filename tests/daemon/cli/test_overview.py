"""`luggin --help`, and what becomes of words that are no command."""

import argparse
import re
import tomllib
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from luggin.daemon.cli import exits, main, overview

ROOT = Path(__file__).parents[3]
OURS = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"]["luggin.commands"]
PAGES = sorted(
    [
        *ROOT.glob("*.md"),
        *(page for part in ("daemon", "drivers", "protocol", "sim") for page in (ROOT / part).rglob("*.md")),
    ]
)


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


def said_on(page: Path) -> set[tuple[str, str]]:
    """(command, option) for each `luggin command --option` in the code of a page; the option may be empty."""
    text = page.read_text(encoding="utf-8")
    code = re.findall(r"^```\w*\n(.*?)^```", text, re.DOTALL | re.MULTILINE) + re.findall(r"`([^`\n]+)`", text)
    lines = [line.partition(" #")[0] for part in code for line in re.split(r"\n|&&", part)]
    found: set[tuple[str, str]] = set()
    for line in lines:
        # Not the user or the service of that name.
        asked = "" if "systemctl" in line else line.replace("-u luggin ", "")
        for name, rest in re.findall(r"(?:^|[\s/(])luggin ([a-z][a-z-]*)\b([^|&;]*)", asked):
            found |= {(name, ""), *((name, option) for option in re.findall(r"(?<=\s)--[a-z-]+", rest))}
    return found


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_pages_name_commands_and_options_that_are_there(page: Path) -> None:
    known: dict[str, str] = {}
    for name, option in sorted(said_on(page)):
        assert name in OURS, f"{page.name} speaks of a command {name}"
        if name not in known:
            parser = argparse.ArgumentParser()
            EntryPoint(name, OURS[name], "luggin.commands").load().add_arguments(parser)
            known[name] = parser.format_help()
        assert re.search(rf"{option}\b", known[name]), f"{page.name} speaks of {name} {option}"


@pytest.mark.parametrize("name", sorted(OURS))
def test_what_a_command_takes_is_said_in_one_way(name: str) -> None:
    parser = argparse.ArgumentParser(prog="luggin")
    command = EntryPoint(name, OURS[name], "luggin.commands").load()
    command.add_arguments(parser)
    usage = " ".join(parser.format_usage().split())
    words = re.findall(r"[a-z]{3,}", re.sub(r"--?[a-z][a-z-]*|\{[^}]*\}", "", usage).removeprefix("usage: luggin"))
    assert not words, f"what stands for a value is written in capitals: {usage}"
    assert command.HELP[0].islower()
    assert not command.HELP.endswith((".", "!"))
