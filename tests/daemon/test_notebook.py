"""Runs in a notebook: the same from a store, a folder and a zip file."""

import asyncio
import textwrap
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon import notebook
from luggin.daemon.export import PackageError, export_file, export_runs
from luggin.daemon.notebook import open_runs
from luggin.daemon.store import Store, open_store
from luggin.protocol.points import Flag
from support.evaluated import evaluation, unpack_old_store
from support.stored_runs import result
from support.voltammograms import header_of, pulse_columns, store_voltammogram

EXAMPLE = textwrap.dedent((notebook.__doc__ or "").partition("\n\n")[2])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("notebook")

    async def fill() -> None:
        async with Store.open(made / "runs.sqlite", interval=0.01, slow_interval=0.01) as store:
            columns = pulse_columns()
            columns["flags"][:3] = int(Flag.SETTLING)
            await store_voltammogram(store, "20261125-134500-bench-1a2b3c", "square-wave-voltammetry", columns)
            await store.add_evaluation(evaluation("first", ("20261125-134500-bench-1a2b3c",)))
            await store.begin_run(header_of("empty", "cyclic-voltammetry"))
            await store.finish_run(result("empty", 0))

    asyncio.run(fill())
    with open_store(made / "runs.sqlite") as archive:
        export_runs(archive, archive.names(), made / "data")
        export_file(archive, archive.names(), made / "outlet.zip")
    return made


@pytest.mark.parametrize("where", ["runs.sqlite", "data", "outlet.zip"])
def test_every_source_gives_the_same(where: str, folder: Path) -> None:
    runs = open_runs(folder / where)
    assert list(runs) == ["20261125-134500-bench-1a2b3c", "empty"]
    run = runs["20261125-134500-bench-1a2b3c"]
    assert run.header.asked_by == "analyst"
    assert run.method["technique"] == "square-wave-voltammetry"
    assert run.result is not None
    assert run.result.hash
    assert np.array_equal(run.columns["potential"], pulse_columns()["potential"])
    assert (run.units["index"], run.units["current"], run.units["flags"]) == ("1", "A", "1")
    assert len(run.measured()["current"]) == len(run.columns["current"]) - 3
    assert run.flagged(Flag.SETTLING).sum() == 3
    assert [each.name for each in run.evaluations] == ["first"]
    assert run.newest("peaks") == run.evaluations[0]
    assert run.newest("levels") is None
    assert [event.kind for event in run.events] == ["evaluated"]
    assert len(run.events[0].hash) == 64
    assert run.gaps == ()
    frame = run.table()
    assert list(frame.columns[:2]) == ["time", "phase"]
    assert frame.attrs["units"]["current"] == "A"
    rows = runs.table()
    assert list(rows.index) == list(runs)
    assert rows.loc["empty", "points"] == 0
    assert str(rows.loc["empty", "started"]) == "2026-09-21 14:13:20.250000+00:00"
    empty = runs["empty"]
    assert empty.table().empty
    assert empty.measured() == {"index": pytest.approx(np.empty(0))}


def test_the_example_runs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    names: dict[str, object] = {}
    exec(EXAMPLE, names)
    assert "run" in names
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    if "open_runs" in readme:
        assert EXAMPLE.strip() in readme


def test_an_old_store(tmp_path: Path) -> None:
    unpack_old_store(tmp_path / "old.sqlite")
    runs = open_runs(tmp_path / "old.sqlite")
    assert len(runs["run-1"].columns["current"]) > 0
    assert runs["run-2"].result is None
    assert list(runs.table()["technique"]) == ["square-wave-voltammetry"] * 2


def test_what_is_neither_is_said(tmp_path: Path) -> None:
    with pytest.raises(PackageError, match="there is nothing at"):
        open_runs(tmp_path / "absent")
    (tmp_path / "text").write_text("no package")
    with pytest.raises(PackageError, match="is no sound zip file"):
        open_runs(tmp_path / "text")
    with pytest.raises(PackageError, match="can't be read"):
        open_runs(tmp_path)
