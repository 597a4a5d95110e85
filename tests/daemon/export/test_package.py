"""Runs from a real store to a data package, judged by other programs, and back."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from frictionless import Package

from luggin.daemon.export import PackageError, export_runs, read_package
from luggin.daemon.store import NoSuchRun, Store, open_store
from luggin.protocol.points import COLUMNS, batch
from support.stored_runs import SWEEP, header, result, sweep


async def fill(path: Path) -> None:
    """A run with a gap, one with odd values and columns, and one that has just begun."""
    async with Store.open(path, interval=0.01, slow_interval=0.01, utc=lambda: 1_790_000_100.5) as store:
        await store.begin_run(header("sweep-1"))
        store.anchor("bench-1", "sweep-1", "boot-1", 10.0, 1_790_000_001.0, True, 500.0, 0.0)
        store.put(sweep("sweep-1", 0, 500))
        await store.put(sweep("sweep-1", 600, 400))
        store.event("sweep-1", None, "remark", "the µ-cell was shaken; „watch“ it", {"by": "analyst", "depth": 1e-5})
        await store.finish_run(result("sweep-1", 900, [(500, 600)]))
        await store.event("sweep-1", None, "remark", "a remark after the end")
        await store.begin_run(header("odd-1", columns=COLUMNS))
        odd = {
            name: [0, 1, 2] if column.dtype[1] == "u" else [np.nan, np.inf, -0.0] for name, column in COLUMNS.items()
        }
        await store.put(batch("odd-1", "boot-1", 0, odd))
        await store.put(batch("odd-1", "boot-2", 3, {"time": [1 / 3], "flags": [65535]}))
        await store.finish_run(result("odd-1", 4))
        await store.begin_run(header("begun-1"))


@pytest.fixture
async def package(tmp_path: Path) -> Path:
    await fill(tmp_path / "store.sqlite")
    with open_store(tmp_path / "store.sqlite") as archive:
        export_runs(archive, ["sweep-1", "odd-1", "begun-1"], tmp_path / "data", utc=lambda: 1_790_000_200.0)
    return tmp_path / "data"


async def test_the_package_is_valid(package: Path) -> None:
    """By the reference implementation of the Data Package specification."""
    described = Package(package / "datapackage.json")
    report = described.validate()
    assert report.valid, report.to_summary()
    assert [task.stats.get("rows", 0) for task in report.tasks] == [900, 4, 0]
    rows: Any = described.get_resource("sweep-1")
    with rows:
        assert [float(row["time / s"]) for row, _ in zip(rows.row_stream, range(3), strict=False)] == [0.02, 0.04, 0.06]
    # It does look at what it calls valid.
    (package / "sweep-1.csv").write_bytes((package / "sweep-1.csv").read_bytes().replace(b"0.04,", b"fast,", 1))
    broken = Package(package / "datapackage.json").validate()
    assert {error.type for task in broken.tasks for error in task.errors} == {"hash-count", "type-error"}


async def test_everything_comes_back(package: Path, tmp_path: Path) -> None:
    back = read_package(package)
    with open_store(tmp_path / "store.sqlite") as archive:
        assert list(back) == ["sweep-1", "odd-1", "begun-1"]
        for name, (told, columns) in back.items():
            stored = archive.columns(name)
            assert list(columns) == list(stored)
            for column, values in stored.items():
                assert columns[column].dtype == values.dtype
                assert np.array_equal(columns[column], values, equal_nan=values.dtype.kind == "f")
            assert told["header"] == archive.header(name).model_dump(mode="json")
            ended = archive.result(name)
            assert told["result"] == (
                None if ended is None else ended.model_dump(mode="json", exclude={"hash", "seal"})
            )
            assert told["chain"]["head"] == archive.texts(name).head.hex()
            assert told["findings"] == []
        told, _ = back["sweep-1"]
        assert told["gaps"] == [[500, 600]]
        assert [event["kind"] for event in told["events"]] == ["gap", "remark", "remark"]
        assert told["events"][1]["sentence"] == "the µ-cell was shaken; „watch“ it"
        assert told["anchors"][0]["synchronised"] is True
        assert back["odd-1"][0]["boots"] == [
            {"boot": "boot-1", "first": 0, "after": 3},
            {"boot": "boot-2", "first": 3, "after": 4},
        ]


async def test_a_spreadsheet_or_notebook_reads_it(package: Path) -> None:
    frame = pd.read_csv(package / "sweep-1.csv")
    assert list(frame.columns[:4]) == ["index", "time / s", "phase", "cycle"]
    whole = sweep("sweep-1", 0, 1000).columns
    index = frame["index"].to_numpy()
    assert np.array_equal(index, [*range(500), *range(600, 1000)])
    assert np.array_equal(frame["current / A"].to_numpy().astype("<f4"), whole["current"][index])


async def test_it_tells_what_the_columns_are_and_when_it_was(package: Path) -> None:
    document = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    assert document["profile"] == "tabular-data-package"
    assert document["created"] == "2026-09-21T14:16:40.000Z"
    (sweep_run, odd, begun) = document["resources"]
    fields = {field["column"]: field for field in sweep_run["schema"]["fields"]}
    assert list(fields) == ["index", *SWEEP]
    assert fields["current"]["unit"] == "A"
    assert "anodic positive" in fields["current"]["description"]
    # The first point is 20 ms after the anchor at the start, the last one 20 s after it.
    assert sweep_run["run"]["dates"] == {
        "begun": "2026-09-21T14:13:20.250Z",
        "first_point": "2026-09-21T14:13:21.020Z",
        "last_point": "2026-09-21T14:13:41.000Z",
        "synchronised": True,
    }
    assert begun["run"]["dates"]["first_point"] is None
    assert json.loads((package / "sweep-1.method.json").read_text()) == sweep_run["run"]["header"]["method"]
    # Cells of a column that a point lacks are empty, as those of a value that doesn't exist.
    assert (package / "odd-1.csv").read_text().splitlines()[-1].startswith("3,0.3333333333333333,,,,")
    assert odd["run"]["result"]["state"] == "Complete"


def change_table(package: Path, _: dict[str, Any]) -> None:
    path = package / "sweep-1.csv"
    path.write_bytes(path.read_bytes().replace(b"0.02,", b"0.03,", 1))


def change_event(_: Path, document: dict[str, Any]) -> None:
    document["resources"][0]["run"]["events"][1]["sentence"] = "nothing happened"


def change_method(_: Path, document: dict[str, Any]) -> None:
    document["resources"][0]["run"]["header"]["method"]["setup"]["electrode"] = "gold"


def change_result(_: Path, document: dict[str, Any]) -> None:
    document["resources"][0]["run"]["result"]["flagged"] = True


def drop_hash(_: Path, document: dict[str, Any]) -> None:
    del document["resources"][0]["run"]["chain"]["events"][2]


def add_column(_: Path, document: dict[str, Any]) -> None:
    document["resources"][0]["schema"]["fields"][1]["column"] = "weight"


def leave_the_folder(_: Path, document: dict[str, Any]) -> None:
    document["resources"][0]["path"] = "../sweep-1.csv"


def lose_table(package: Path, _: dict[str, Any]) -> None:
    (package / "sweep-1.csv").unlink()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (change_table, r"sweep-1\.csv was altered after it was exported; export the run again"),
        (change_event, "run sweep-1 was altered: event 1 or its hash was altered"),
        (change_method, "run sweep-1 was altered: the header or its hash was altered"),
        (change_result, "run sweep-1 was altered: the result, its seal or its hash was altered"),
        (drop_hash, r"sweep-1\.csv or its description is damaged"),
        (add_column, r"columns that this program doesn't know: \['weight'\]"),
        (leave_the_folder, "resource 'sweep-1' is no run"),
        (lose_table, r"sweep-1\.csv can't be read \(No such file or directory\); copy the whole package"),
    ],
)
async def test_a_changed_package_is_refused(
    package: Path, change: Callable[[Path, dict[str, Any]], None], sentence: str
) -> None:
    descriptor = package / "datapackage.json"
    document = json.loads(descriptor.read_text(encoding="utf-8"))
    change(package, document)
    descriptor.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(PackageError, match=sentence):
        read_package(package)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"resources": 1}', "[" * 100_000])
def test_what_is_no_package_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "datapackage.json").write_text(text)
    with pytest.raises(PackageError, match="is no descriptor of a data package"):
        read_package(tmp_path)


async def test_an_export_that_cannot_be_made_says_why(package: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as archive:
        with pytest.raises(PackageError, match="holds a data package already; choose another directory"):
            export_runs(archive, ["sweep-1"], package)
        with pytest.raises(NoSuchRun, match="no run sweep-9 is stored"):
            export_runs(archive, ["sweep-1", "sweep-9"], tmp_path / "more")
        assert not (tmp_path / "more").exists()
        with pytest.raises(PackageError, match="no run was named"):
            export_runs(archive, [], tmp_path / "more")
        (tmp_path / "file").touch()
        with pytest.raises(PackageError, match=r"file can't be written \(File exists\)"):
            export_runs(archive, ["sweep-1"], tmp_path / "file")
    with pytest.raises(PackageError, match=r"can't be read \(No such file or directory\); name the directory"):
        read_package(tmp_path / "absent")
