"""luggin export and import: without a daemon, and by the daemon that has the store, over its real socket."""

import asyncio
import json
from pathlib import Path
from typing import cast

import pytest

from luggin.daemon.board import Board
from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.daemon.desk import Desk
from luggin.daemon.ending import Ending
from luggin.daemon.local import LocalSocket, socket_of
from luggin.daemon.office import Office
from luggin.daemon.places import runtime_directories
from luggin.daemon.questions import Questions
from luggin.daemon.store import Store, open_store, verify
from luggin.protocol.payloads import NodeStatus
from support.evaluated import evaluation
from support.runs import store_run
from support.stored_runs import header, result


@pytest.fixture(autouse=True)
def _nobody_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "home"))
    monkeypatch.delenv("LUGGIN_BROKER", raising=False)


@pytest.fixture
def package(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    async def fill() -> None:
        async with Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as store:
            await store_run(store, "run-1", 100)
            tagged = header("run-2")
            setup = {**tagged.method["setup"], "tags": ["outlet", "week-1/1"]}
            await store.begin_run(tagged.model_copy(update={"method": {**tagged.method, "setup": setup}}))
            await store.finish_run(result("run-2", 0))
            await store.add_evaluation(evaluation("both", ("run-1", "run-2")))

    asyncio.run(fill())
    target = tmp_path / "both.zip"
    assert main(["export", "both", "-o", str(target), "--store", str(tmp_path / "runs.sqlite")]) == exits.OK
    assert capsys.readouterr().out == f"{target}\n"
    return target


def sound(store: Path) -> list[str]:
    with open_store(store) as archive:
        assert [verify(archive, run) for run in archive.names()] == [[]] * len(archive.names())
        assert archive.evaluation("both").runs == ("run-1", "run-2")
        return archive.names()


def test_a_machine_without_a_store_gets_one(package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    away = tmp_path / "away" / "runs.sqlite"
    assert main(["verify", str(package)]) == exits.OK
    assert main(["import", str(package), "--store", str(away)]) == exits.OK
    assert capsys.readouterr().out.endswith("2 runs were imported.\n")
    assert main(["import", str(package), "--store", str(away), "--json"]) == exits.OK
    assert json.loads(capsys.readouterr().out) == {
        "runs": ["run-1", "run-2"],
        "sentence": "0 runs were imported, 2 runs were here already.",
    }
    assert sound(away) == ["run-1", "run-2"]
    assert [each.name for each in away.parent.iterdir() if "import" in each.name] == []


def test_a_sequence_is_exported_with_its_runs(package: Path, tmp_path: Path) -> None:
    store = ["--store", str(tmp_path / "runs.sqlite")]
    assert main(["export", "week-1", "-o", str(tmp_path / "folder"), *store]) == exits.OK
    assert sorted(each.name for each in (tmp_path / "folder").glob("*.csv")) == ["run-2.csv"]


def test_what_cannot_be_done_is_said(package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = ["--store", str(tmp_path / "runs.sqlite")]
    assert main(["export", "nothing", "-o", str(tmp_path / "x.zip"), *store]) == exits.FAILED
    assert "there is no run, evaluation or sequence nothing" in capsys.readouterr().err
    broken = tmp_path / "broken.zip"
    broken.write_bytes(package.read_bytes()[:-50])
    assert main(["import", str(broken), *store]) == exits.BAD_DOCUMENT
    assert "is no sound zip file" in capsys.readouterr().err
    assert main(["import", str(tmp_path / "absent.zip"), *store]) == exits.BAD_DOCUMENT
    assert "can't be read" in capsys.readouterr().err


async def test_the_daemon_that_has_the_store_takes_them_in(
    package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    away = tmp_path / "away.sqlite"
    runtime = runtime_directories()[0]
    runtime.mkdir(parents=True, exist_ok=True)
    async with Store.open(away, interval=0.01, slow_interval=0.01) as store:
        status = NodeStatus(node="bench", online=True, software="0")
        office = Office(store, {}, Ending())
        desk = Desk("bench", {}, cast(Questions, None))
        served = LocalSocket(socket_of(runtime, "bench"), desk, Board(), lambda: status, office).run()
        task = asyncio.create_task(served)
        while not await asyncio.to_thread(socket_of(runtime, "bench").exists):
            assert not task.done(), task.exception()
        for said in ("2 runs were imported.", "0 runs were imported, 2 runs were here already."):
            assert await asyncio.to_thread(main, ["import", str(package), "--store", str(away)]) == exits.OK
            assert capsys.readouterr().out.endswith(f"\n{said}\n")  # after the daemon's log
        task.cancel()
        await asyncio.wait([task])
    assert sound(away) == ["run-1", "run-2"]
