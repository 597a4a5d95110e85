"""What somebody changes in a package is found, also where the checksum of the table was made to fit."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from luggin.daemon.export import PackageError, export_runs, verify_package
from luggin.daemon.export.package import DESCRIPTOR, digest
from luggin.daemon.store import Store, open_store
from support.stored_runs import SWEEP, header, result, sweep


@pytest.fixture
async def package(tmp_path: Path) -> Path:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 300))
        await store.put(sweep("run-1", 400, 100, columns=[*SWEEP[:5], "flags"]))
        await store.finish_run(result("run-1", 400, [(300, 400)]))
        await store.put(sweep("run-1", 300, 20))  # late points are outside the seal
    with open_store(tmp_path / "store.sqlite") as archive:
        return export_runs(archive, ["run-1"], tmp_path / "package").parent


def told(package: Path) -> dict[str, Any]:
    return dict(json.loads((package / DESCRIPTOR).read_text()))


def rewrite(package: Path, change: Callable[[dict[str, Any]], object]) -> None:
    document = told(package)
    change(document["resources"][0])
    (package / DESCRIPTOR).write_text(json.dumps(document))


def test_a_sound_package(package: Path, tmp_path: Path) -> None:
    (found,) = verify_package(package)
    with open_store(tmp_path / "store.sqlite") as archive:
        ended, head = archive.result("run-1"), archive.texts("run-1").head.hex()
    assert ended is not None
    assert (found.findings, found.points, found.chain[-1], found.result) == ((), 420, head, ended.hash)


def test_a_table_whose_checksum_was_made_to_fit(package: Path) -> None:
    path = package / "run-1.csv"
    lines = path.read_text().splitlines(keepends=True)
    columns = lines[0].strip().split(",")
    cells = lines[100].split(",")
    cells[columns.index("current / A")] = repr(float(np.float32(2e-6)))
    path.write_text("".join([*lines[:100], ",".join(cells), *lines[101:]]))
    (found,) = verify_package(package)
    assert "was altered after it was exported" in found.findings[0]
    rewrite(package, lambda resource: resource.update(hash=f"sha256:{digest(path)}"))
    (found,) = verify_package(package)
    assert found.findings == ("the points are not those that were sealed at the end of the run, in current",)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda resource: resource["run"]["header"].update(asked_by="berta"), "header"),
        (lambda resource: resource["run"]["events"][0].update(sentence="nothing happened"), "event 0"),
        (lambda resource: resource["run"]["result"].update(state="Stopped"), "result"),
        (lambda resource: resource["run"]["layouts"].pop(), "not those that were sealed"),
        (lambda resource: resource["run"].pop("layouts"), "damaged"),
        (lambda resource: resource["run"].update(findings=["point 3 is stored twice"]), "stored twice"),
    ],
)
def test_a_description_that_was_changed(package: Path, change: Callable[[dict[str, Any]], object], said: str) -> None:
    rewrite(package, change)
    (found,) = verify_package(package)
    assert any(said in sentence for sentence in found.findings), found


def test_no_package(tmp_path: Path) -> None:
    with pytest.raises(PackageError, match="can't be read"):
        verify_package(tmp_path)
