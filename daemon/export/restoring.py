"""From a package back to a store: what was exported, with its hashes, so that it verifies there as it did at home.

A package may come from anybody.  Its form is checked here, its hashes by what verifies a store; hashes can't show that
somebody made the whole of it up.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from luggin.daemon.export.errors import PackageError
from luggin.daemon.export.reading import Told, read_run, resources_of, texts_of
from luggin.daemon.store import Anchor, chain, open_store, verify
from luggin.daemon.store.locate import MOST_INDEX, run_scope
from luggin.daemon.store.transcript import transcribe
from luggin.protocol.payloads import Evaluation, RunEvent, RunHeader, RunResult
from luggin.protocol.points import COLUMNS, Array, Batch

_FORM = re.compile(r"[<>|][fiu][1248]")
_LAST_DATE = 253_402_300_799.0  # end of the year 9999
MOST_HEADER = 4 * 1024 * 1024

Index = Annotated[int, Field(ge=0, lt=MOST_INDEX)]
Moment = Annotated[float, Field(ge=0, le=_LAST_DATE, allow_inf_nan=False)]


class _Form(BaseModel):
    """What every part of the program relies upon in what it reads from its own store."""

    model_config = ConfigDict(strict=True)


class _Setup(_Form):
    reference: str
    electrode: str = ""
    counter: str = ""
    sample: str = ""
    cell: str = ""
    area: float | int | None = None
    tags: list[str] = []


class _Phase(_Form):
    phase: str


class _Method(_Form):
    name: str
    technique: str
    notes: str = ""
    setup: _Setup
    phases: list[_Phase] = []


class _Seal(_Form):
    spans: list[Annotated[list[Index], Field(min_length=2, max_length=2)]]
    columns: dict[str, str]


class _Stretch(_Form):
    first: Index
    after: Index


class _Boot(_Stretch):
    boot: Annotated[str, Field(max_length=200)]


class _Layout(_Stretch):
    columns: dict[str, str]


_ANCHORS, _BOOTS, _LAYOUTS = TypeAdapter(list[Anchor]), TypeAdapter(list[_Boot]), TypeAdapter(list[_Layout])
_MOMENT = TypeAdapter(Moment)


def restore(folder: Path, store: Path) -> list[str]:
    """Write the runs of a package into a new store at `store`; their names, in the order of the package.

    Raises PackageError for a package that can't be read, whose parts are not what they were, or with a run that had
    not ended.
    """
    names = []
    for name, resource in resources_of(folder).items():
        told, columns = read_run(folder, name, resource)
        if told["result"] is None:
            raise PackageError(f"run {name} had not ended when it was exported; export it again once it has")
        try:
            _check(name, told)
            transcribe(store, texts_of(told), list(_batches(name, told, columns)), *_beside(name, told))
        except (ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError) as error:
            sentence = " ".join(str(error).split())[:300]
            raise PackageError(f"the description of run {name} is damaged ({sentence}); export the run again") from None
        with open_store(store) as archive:
            findings = verify(archive, name)
        if findings:
            raise PackageError(f"run {name} is not what was stored: {'; '.join(findings)}")
        names.append(name)
    return names


def _check(name: str, told: Told) -> None:
    """Raises ValueError and its kind for what has not the form of a run."""
    header, result = RunHeader.model_validate(told["header"]), RunResult.model_validate(told["result"])
    if {header.run, result.run} != {name}:
        raise ValueError(f"it tells of run {header.run}")
    if len(chain.canonical(told["header"])) > MOST_HEADER:
        raise ValueError(f"its header is longer than {MOST_HEADER} characters")
    _Method.model_validate(header.method)
    _Seal.model_validate(told["chain"]["seal"])
    for event in told["events"]:
        one = RunEvent.model_validate({**event, "run": name})
        if event["scope"] != run_scope(name):
            raise ValueError(f"event {one.number} is not the run's")
        _MOMENT.validate_python(one.utc)
    for utc in (header.utc, result.utc):
        _MOMENT.validate_python(utc)


def _beside(name: str, told: Told) -> tuple[list[str], list[Anchor]]:
    """Evaluations in the order in which the events tell of them, and anchors."""
    anchors = _ANCHORS.validate_python(told["anchors"])
    if any(anchor.run != name for anchor in anchors):
        raise ValueError("an anchor is not the run's")
    made: dict[str, str] = {}
    for row in told["evaluations"]:
        _MOMENT.validate_python(Evaluation.model_validate(row).utc)
        made[row["name"]] = chain.canonical(row)
    order = dict.fromkeys(each["data"]["name"] for each in told["events"] if each["kind"] == "evaluated")
    return [made[each] for each in order], anchors


def _batches(name: str, told: Told, columns: Mapping[str, Array]) -> Iterator[Batch]:
    """The points as they were stored: of one boot, with the same columns, without a gap."""
    boots, layouts = _BOOTS.validate_python(told["boots"]), _LAYOUTS.validate_python(told["layouts"])
    index, count = columns["index"].astype(np.int64), 0
    if len(index) and (index[0] < 0 or index[-1] >= MOST_INDEX or not (np.diff(index) > 0).all()):
        raise ValueError("its points are not in the order of their indices")
    for layout in layouts:
        if not all(each in COLUMNS and _FORM.fullmatch(form) for each, form in layout.columns.items()):
            raise ValueError("it has columns that this program doesn't know")
    for boot, layout in _side_by_side(boots, layouts):
        low, high = max(boot.first, layout.first), min(boot.after, layout.after)
        rows = np.arange(*np.searchsorted(index, [low, high])) if low < high else np.empty(0, dtype=np.int64)
        for part in _unbroken(rows, index):
            count += len(part)
            yield Batch(name, boot.boot, int(index[part[0]]), _cut(columns, layout.columns, part))
    if count != len(index):
        raise ValueError("it is not told where all of its points come from")


def _side_by_side(boots: Sequence[_Boot], layouts: Sequence[_Layout]) -> Iterator[tuple[_Boot, _Layout]]:
    """Every two that may overlap, of lists in the order of indices; how long they are is up to who made the package."""
    at = 0
    for boot in boots:
        while at < len(layouts):
            yield boot, layouts[at]
            if layouts[at].after > boot.after:
                break
            at += 1


def _unbroken(rows: Array, index: Array) -> Sequence[Array]:
    return np.split(rows, np.flatnonzero(np.diff(index[rows]) > 1) + 1) if len(rows) else []


def _cut(columns: Mapping[str, Array], forms: Mapping[str, str], rows: Array) -> dict[str, Any]:
    part = slice(int(rows[0]), int(rows[-1]) + 1)
    with np.errstate(invalid="ignore", over="ignore"):  # what doesn't fit its form doesn't fit the seal either
        return {name: np.ascontiguousarray(columns[name][part], dtype=form) for name, form in forms.items()}
