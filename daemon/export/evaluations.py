"""Evaluations in a data package: one JSON file, a list of records, for all of its runs."""

import hashlib
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from luggin.daemon.export import strict_json
from luggin.daemon.export.errors import PackageError
from luggin.daemon.store import Archive, chain

NAME = "evaluations.json"
"""Name of the resource and of its file; no run can be called so."""
_AT_ONCE = 20
_MEANING = {
    "version": "version of the form of a record",
    "name": "name of the evaluation",
    "kind": "what was looked for",
    "subject": "what it tells of",
    "runs": "runs that it was computed from",
    "settings": "complete settings, so that it can be made again",
    "body": "what was found, in SI units; its form belongs to the kind",
    "warnings": "what makes it doubtful",
    "software": "program and version that computed it",
    "asked_by": "who asked for it",
    "verified": "whether asked_by is vouched for",
    "utc": "when it was made, s since 1970 by the clock of the measuring computer",
    "expires": "when it is no longer to be relied upon, by the same clock",
}


def write(archive: Archive, runs: Iterable[str], folder: Path) -> list[dict[str, Any]]:
    """Write the evaluations of the runs, each once, in the order in which they were stored; its resource, if any."""
    found = {each["name"]: each for run in runs for each in _of_run(archive, run)}
    if not found:
        return []
    path = folder / NAME
    rows = sorted(found.values(), key=lambda each: (each["utc"], each["name"]))
    raw = (json.dumps(rows, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
    if len(raw) > strict_json.MOST_BYTES:
        raise PackageError(f"the evaluations of these runs are {len(raw)} bytes long; export fewer runs at once")
    path.write_bytes(raw)
    resource = {
        "profile": "data-resource",
        "name": NAME,
        "path": NAME,
        "format": "json",
        "mediatype": "application/json",
        "encoding": "utf-8",
        "bytes": len(raw),
        "hash": f"sha256:{hashlib.sha256(raw).hexdigest()}",
        "description": "Evaluations of the runs in this package, in the order of their making. Events of kind "
        "evaluated bear the SHA-256 of a record's canonical JSON: sorted keys, no blanks.",
        "meaning": _MEANING,
    }
    return [resource]


def _of_run(archive: Archive, run: str) -> Iterator[dict[str, Any]]:
    first = 0
    while found := archive.evaluations_of(run, first, _AT_ONCE):
        for position, evaluation in found:
            yield json.loads(archive.evaluation_text(evaluation.name))
            first = position + 1


def read(folder: Path, resource: dict[str, Any]) -> list[dict[str, Any]]:
    """The evaluations of a package.  Raises PackageError for a file that is not as it was exported."""
    path = folder / NAME
    try:
        if resource.get("path") != NAME or path.stat().st_size > strict_json.MOST_BYTES:
            raise PackageError(f"{path} is not what a package holds its evaluations in; export the runs again")
        raw = path.read_bytes()
        if f"sha256:{hashlib.sha256(raw).hexdigest()}" != resource["hash"]:
            raise PackageError(f"{path} was altered after it was exported; export the run again")
        rows: list[dict[str, Any]] = strict_json.loads(raw)
        if not all(
            isinstance(row, dict) and isinstance(row["runs"], list) and isinstance(row["name"], str) for row in rows
        ):
            raise TypeError("a row is no evaluation")
    except OSError as error:
        raise PackageError(f"{path} can't be read ({error.strerror}); copy the whole package") from None
    except (ValueError, KeyError, TypeError) as error:
        raise PackageError(f"{path} is damaged ({error}); export the runs again") from None
    return rows


def altered(events: Iterable[dict[str, Any]], rows: Iterable[dict[str, Any]]) -> list[str]:
    """What is wrong with the evaluations that a run's events tell of, by their hashes."""
    hashes = {row["name"]: chain.start(chain.canonical(row)).hex() for row in rows}
    told = {event["data"]["name"]: event["data"]["hash"] for event in events if event["kind"] == "evaluated"}
    found = [f"the evaluation {name} is missing" for name in told if name not in hashes]
    found += [f"the evaluation {name} was altered" for name in told if name in hashes and hashes[name] != told[name]]
    return found + [f"no event tells of the evaluation {name}" for name in hashes if name not in told]
