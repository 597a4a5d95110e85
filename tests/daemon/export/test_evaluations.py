"""Evaluations in a data package: valid for others, back to the last digit, and what is altered is found."""

import asyncio
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from frictionless import Package

from luggin.daemon.export import PackageError, evaluations, export_runs, read_package
from luggin.daemon.export.evaluations import NAME
from luggin.daemon.store import Store, open_store
from support.evaluated import evaluation, unpack_old_store
from support.runs import store_run


@pytest.fixture
async def package(tmp_path: Path) -> Path:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store_run(store, "run-1", 100)
        await store_run(store, "run-2", 100)
        await store.add_evaluation(evaluation("first"))
        await store.add_evaluation(evaluation("both", ("run-1", "run-2"), expires=1_790_086_400.0))
        await store.add_evaluation(evaluation("second", body={"text": "µA, „quoted“", "deep": [{"a": None}]}))
    with open_store(tmp_path / "store.sqlite") as archive:
        export_runs(archive, ["run-1", "run-2"], tmp_path / "data", utc=lambda: 1_790_000_900.0)
    return tmp_path / "data"


async def test_the_package_is_valid_and_says_what_each_field_is(package: Path) -> None:
    described = Package(package / "datapackage.json")
    report = described.validate()
    assert report.valid, report.to_summary()
    assert [(task.type, task.stats.get("rows")) for task in report.tasks] == [
        ("table", 100),
        ("table", 100),
        ("json", None),
    ]
    told = described.get_resource(NAME).to_dict()
    rows = json.loads((package / NAME).read_text())
    assert [row["name"] for row in rows] == ["both", "first", "second"]
    assert all(set(row) == set(told["meaning"]) for row in rows)
    assert list(pd.read_json(package / NAME)["kind"]) == ["peaks"] * 3
    (package / NAME).write_bytes((package / NAME).read_bytes().replace(b"flat", b"fine", 1))
    broken = Package(package / "datapackage.json").validate()
    assert {error.type for task in broken.tasks for error in task.errors} == {"hash-count"}


async def test_they_come_back_with_their_runs(package: Path, tmp_path: Path) -> None:
    back = read_package(package)
    with open_store(tmp_path / "store.sqlite") as archive:
        for run, names in {"run-1": ["both", "first", "second"], "run-2": ["both"]}.items():
            told = back[run][0]["evaluations"]
            assert [each["name"] for each in told] == names
            assert told == [archive.evaluation(name).model_dump(mode="json") for name in names]


def _rehashed(package: Path, change: Callable[[list[dict[str, Any]]], object]) -> None:
    """As somebody would who knows how a package is made."""
    rows = json.loads((package / NAME).read_text())
    change(rows)
    raw = json.dumps(rows).encode()
    (package / NAME).write_bytes(raw)
    path = package / "datapackage.json"
    document = json.loads(path.read_text())
    for resource in document["resources"]:
        if resource["name"] == NAME:
            resource["hash"] = f"sha256:{hashlib.sha256(raw).hexdigest()}"
    path.write_text(json.dumps(document))


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda rows: rows[1]["body"].update(height=1.0), "run run-1 was altered: the evaluation first was altered"),
        (lambda rows: rows.pop(1), "the evaluation first is missing"),
        (lambda rows: rows[1].update(name="other"), "the evaluation first is missing; no event tells of .* other"),
        (lambda rows: rows.clear(), "is missing"),
        (lambda rows: rows[0].pop("runs"), "is damaged"),
        (lambda rows: rows.append(3), "is damaged"),
    ],
)
async def test_an_alteration_is_found(
    package: Path, change: Callable[[list[dict[str, Any]]], object], sentence: str
) -> None:
    _rehashed(package, change)
    with pytest.raises(PackageError, match=sentence):
        read_package(package)


async def test_a_file_that_is_not_as_exported_is_refused(package: Path) -> None:
    (package / NAME).write_text("[]")
    with pytest.raises(PackageError, match=r"evaluations.json was altered after it was exported"):
        read_package(package)
    (package / NAME).unlink()
    with pytest.raises(PackageError, match="can't be read"):
        read_package(package)


async def test_runs_of_an_old_store_make_a_package_without_them(tmp_path: Path) -> None:
    unpack_old_store(tmp_path / "store.sqlite")
    with open_store(tmp_path / "store.sqlite") as archive:
        export_runs(archive, ["run-1"], tmp_path / "data")
    assert not (tmp_path / "data" / NAME).exists()
    assert read_package(tmp_path / "data")["run-1"][0]["evaluations"] == []


async def test_an_evaluation_that_comes_while_a_run_is_exported_is_left_out_altogether(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store_run(store, "run-1", 100)
        await store.add_evaluation(evaluation("first"))
        told, written = asyncio.Event(), asyncio.Event()
        loop, write = asyncio.get_running_loop(), evaluations.write

        def late(*arguments: Any) -> Any:
            loop.call_soon_threadsafe(told.set)
            asyncio.run_coroutine_threadsafe(written.wait(), loop).result()
            return write(*arguments)

        def export() -> None:
            with open_store(tmp_path / "store.sqlite") as archive:
                export_runs(archive, ["run-1"], tmp_path / "data")

        monkeypatch.setattr(evaluations, "write", late)
        exporting = asyncio.create_task(asyncio.to_thread(export))
        await told.wait()
        await store.add_evaluation(evaluation("second"))
        written.set()
        await exporting
    header, _ = read_package(tmp_path / "data")["run-1"]
    assert [each["name"] for each in header["evaluations"]] == ["first"]
