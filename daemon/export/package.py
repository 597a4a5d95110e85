"""Write runs as a data package: for each run a table and its method, their evaluations, one descriptor for all."""

import hashlib
import json
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from luggin.daemon.export import descriptor, evaluations, strict_json, table
from luggin.daemon.export.errors import PackageError
from luggin.daemon.store import Archive

DESCRIPTOR = "datapackage.json"
_BLOCK = 1 << 20


def export_runs(
    archive: Archive,
    runs: Iterable[str],
    directory: Path | str,
    *,
    deleted: bool = False,
    utc: Callable[[], float] = time.time,
) -> Path:
    """Write the runs into a directory, which is made when it isn't there; returns the path of the descriptor.

    The descriptor is written last, so an interrupted export is no package.  Raises PackageError when the directory
    holds a package already or can't be written, and for a deleted run unless `deleted` asks for such; NoSuchRun,
    StoreFault.
    """
    folder, names = Path(directory), list(dict.fromkeys(runs))
    if not names:
        raise PackageError("no run was named; name at least one")
    for name in names:
        if archive.deletion(name) is not None and not deleted:
            raise PackageError(f"run {name} is deleted; restore it, or ask for deleted runs too")
    if (folder / DESCRIPTOR).exists():
        raise PackageError(f"{folder} holds a data package already; choose another directory")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with archive.moment():  # an evaluation that comes in between would be told of in one place only
            resources = [_resource(archive, name, folder) for name in names]
            others = evaluations.write(archive, names, folder)
        told = descriptor.package(resources, others, utc())
        document = (json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()
        if len(document) > strict_json.MOST_BYTES:
            raise PackageError(f"the description of these runs is {len(document)} bytes long; export fewer at once")
        (folder / DESCRIPTOR).write_bytes(document)
    except OSError as error:
        raise PackageError(f"{folder} can't be written ({error.strerror}); make room or choose another") from None
    return folder / DESCRIPTOR


def _resource(archive: Archive, name: str, folder: Path) -> dict[str, Any]:
    columns = archive.columns(name)
    schema, told = descriptor.schema(columns), descriptor.run(archive, name, columns)
    path = folder / f"{name}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        table.write(file, [field["name"] for field in schema["fields"]], columns)
    method = json.dumps(told["header"]["method"], indent=2, ensure_ascii=False)
    (folder / f"{name}.method.json").write_text(method + "\n", encoding="utf-8")
    return {
        "profile": "tabular-data-resource",
        "name": name,
        "path": path.name,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest(path)}",
        "schema": schema,
        "run": told,
    }


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    total = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            total.update(block)
    return total.hexdigest()
