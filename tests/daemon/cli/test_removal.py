"""Deleting, restoring and purging where no daemon runs, and what a person is asked."""

import asyncio
import getpass
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.daemon.store import Store, open_store
from support.runs import store_run

WHY = "wrong electrode"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for variable in ("HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path))

    async def fill() -> None:
        async with Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as opened:
            await store_run(opened, "run-1", 100)
            await store_run(opened, "run-2", 100, finish=False)

    asyncio.run(fill())
    return tmp_path / "runs.sqlite"


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """What a person at a terminal answers, in order."""
    answers: list[str] = []
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda _: answers.pop(0))
    yield answers
    assert not answers, "asked less often than expected"


def listed(store: Path, deleted: bool = False) -> list[str]:
    with open_store(store) as archive:
        return [each.run for each in archive.runs(deleted=deleted)]


def test_a_person_types_the_name_again_and_says_why(store: Path, typed: list[str]) -> None:
    typed += ["run-2"]
    assert main(["delete", "run-1", "--store", str(store)]) == exits.FAILED
    typed += ["run-1", ""]
    assert main(["delete", "run-1", "--store", str(store)]) == exits.USAGE
    assert "run-1" in listed(store)
    typed += ["run-1", WHY]
    assert main(["delete", "run-1", "--store", str(store)]) == exits.OK
    assert (listed(store), listed(store, deleted=True)) == (["run-2"], ["run-1"])
    typed += ["no"]
    assert main(["purge", "run-1", "--store", str(store)]) == exits.FAILED
    assert main(["restore", "run-1", "--store", str(store)]) == exits.OK
    assert listed(store, deleted=True) == []
    typed += ["run-1", WHY, "run-1"]
    assert main(["delete", "run-1", "--store", str(store)]) == exits.OK
    assert main(["purge", "run-1", "--store", str(store)]) == exits.OK
    with open_store(store) as archive:
        log = archive.log(None)
    assert [each.kind for each in log] == ["deleted", "restored", "deleted", "purged"]
    assert {each.data["asked_by"] for each in log} == {getpass.getuser()}
    assert log[0].data["reason"] == WHY


def test_in_a_script(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    order = ["--store", str(store), "--yes", "--reason", WHY, "--json"]
    assert main(["delete", "run-2", *order]) == exits.FAILED
    assert "has not ended" in capsys.readouterr().err
    assert main(["delete", "run-9", *order]) == exits.FAILED
    assert main(["delete", "run-1", *order]) == exits.OK
    assert json.loads(capsys.readouterr().out)["run"] == "run-1"
    assert main(["delete", "run-1", "--store", "nowhere.sqlite", "--yes", "--reason", WHY]) == exits.NOT_REACHABLE
    assert main(["delete", "run-1", "--store", str(store), "--yes", "--reason", "x"]) == exits.USAGE
    assert "reason" in capsys.readouterr().err


async def test_a_store_in_use_by_somebody_who_can_not_be_asked(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    async with Store.open(store):
        order = ["delete", "run-1", "--store", str(store), "--yes", "--reason", WHY]
        assert await asyncio.to_thread(main, order) == exits.FAILED
    assert "can't be reached over its socket" in capsys.readouterr().err
