"""Read a data package back: columns to the last bit, and everything that was told of each run."""

import csv
import json
import re
from pathlib import Path
from typing import Any

from luggin.daemon.export import evaluations, strict_json, table
from luggin.daemon.export.errors import PackageError
from luggin.daemon.export.package import DESCRIPTOR, digest
from luggin.daemon.store import RunTexts, altered_texts, chain
from luggin.protocol.points import COLUMNS, Array
from luggin.protocol.topics import is_segment

_FORM = re.compile(r"[<>|][fiu][1248]")

Told = dict[str, Any]


def read_package(directory: Path | str) -> dict[str, tuple[Told, dict[str, Array]]]:
    """Run to what is told of it (header, result, events, gaps, evaluations ...) and its columns, `index` first.

    Raises PackageError for a package that is not ours, that is incomplete, or whose tables, events, results or
    evaluations are not what they were when they were exported.
    """
    folder = Path(directory)
    return {name: read_run(folder, name, resource) for name, resource in resources_of(folder).items()}


def resources_of(folder: Path) -> dict[str, Told]:
    """Each run of a package as its descriptor has it.  Raises PackageError."""
    path = folder / DESCRIPTOR
    try:
        if path.stat().st_size > strict_json.MOST_BYTES:
            raise PackageError(f"{path} is too large; at most {strict_json.MOST_BYTES} bytes are read")
        document = strict_json.loads(path.read_bytes())
        resources = {str(each["name"]): each for each in document["resources"]}
    except OSError as error:
        raise PackageError(f"{path} can't be read ({error.strerror}); name the directory of a data package") from None
    except (ValueError, KeyError, TypeError):
        raise PackageError(f"{path} is no descriptor of a data package; export the runs again") from None
    made = resources.pop(evaluations.NAME, None)
    rows = [] if made is None else evaluations.read(folder, made)
    for name, resource in resources.items():
        if not is_segment(name) or resource.get("path") != f"{name}.csv" or not isinstance(resource.get("run"), dict):
            raise PackageError(f"{path}: resource {name!r} is no run; only packages of runs can be read")
    told = {name: _told(resource["run"]) for name, resource in resources.items()}
    for name, resource in resources.items():
        # One that no run tells of is everybody's, so that it is found out.
        resource["evaluations"] = [
            row
            for row in rows
            if name in row["runs"] and (row["name"] in told[name] or not any(row["name"] in of for of in told.values()))
        ]
    return resources


def _told(run: Told) -> set[str]:
    """Names of the evaluations that a run's events tell of."""
    try:
        return {str(event["data"]["name"]) for event in run["events"] if event["kind"] == "evaluated"}
    except (KeyError, TypeError):
        return set()  # read_run says what is damaged


def read_run(folder: Path, name: str, resource: Told) -> tuple[Told, dict[str, Array]]:
    """What is told of one run, and its columns.  Raises PackageError."""
    path = folder / f"{name}.csv"
    try:
        if f"sha256:{digest(path)}" != resource["hash"]:
            raise PackageError(f"{path} was altered after it was exported; export the run again")
        fields = {field["name"]: field for field in resource["schema"]["fields"]}
        unknown = [each["column"] for each in fields.values() if each["column"] not in {"index", *COLUMNS}]
        if unknown or not all(_FORM.fullmatch(each["dtype"]) for each in fields.values()):
            raise PackageError(f"{path} has columns that this program doesn't know: {unknown}; use a newer version")
        with path.open(encoding="utf-8", newline="") as file:
            columns = table.read(file, {heading: field["dtype"] for heading, field in fields.items()})
        by_name = {fields[heading]["column"]: values for heading, values in columns.items()}
        table.set_nans(by_name, resource["run"].get("unusual_nans", {}))
        told = {**resource["run"], "evaluations": resource["evaluations"]}
        altered = [*altered_texts(texts_of(told)), *evaluations.altered(told["events"], told["evaluations"])]
    except OSError as error:
        raise PackageError(f"{path} can't be read ({error.strerror}); copy the whole package") from None
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, csv.Error) as error:
        raise PackageError(f"{path} or its description is damaged ({error}); export the run again") from None
    if altered:
        raise PackageError(f"what is told of run {name} was altered: {'; '.join(altered)}")
    return told, by_name


def texts_of(told: Told) -> RunTexts:
    """The texts that were hashed, made again from what is told of a run."""
    hashes, result, seal = told["chain"], told["result"], told["chain"]["seal"]
    events = [{name: each[name] for name in each if name != "date"} for each in told["events"]]
    return RunTexts(
        header=chain.canonical(told["header"]),
        header_hash=bytes.fromhex(hashes["header"]),
        events=tuple(
            (event["number"], chain.canonical(event), bytes.fromhex(digest))
            for event, digest in zip(events, hashes["events"], strict=True)
        ),
        result=None if result is None else chain.canonical(result),
        seal=None if seal is None else json.dumps(seal, separators=(",", ":")),
        sealed_events=hashes["result_covers_events"],
        result_hash=None if hashes["result"] is None else bytes.fromhex(hashes["result"]),
    )
