"""What became of every point and of the cell: the instrument's own log against the store against a subscriber."""

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from faults.paper_broker import Message
from faults.truth import Truth
from luggin.daemon.store import open_store, verify
from luggin.daemon.store.locate import key
from luggin.protocol.points import COLUMNS, Batch

STALE = "mallory"
"""The client of whose commands none may be carried out."""


@dataclass
class Account:
    """Counts of one scenario, and one sentence for everything that must not be.

    `cell` is how the cell was left: "off" confirmed, or "unknown" and said so.  `cell_off` is how long (s) it stayed on
    once it was to be off.  `interrupted`: the daemon took a link for lost.
    """

    kind: str = ""
    seed: int = 0
    sent: int = 0
    stored: int = 0
    received: int = 0
    gone: int = 0
    lost: int = 0
    doubled: int = 0
    cell: str = "off"
    cell_off: float = 0.0
    interrupted: bool = False
    outcomes: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def settle(account: Account, path: Path, truth: Truth, messages: Iterable[Message]) -> None:
    """Account for every point of every run."""
    batches: dict[str, list[dict[str, Any]]] = {}
    for message in messages:
        if message.kind == "points":
            batches.setdefault(message.content["run"], []).append(message.content)
    with open_store(path) as archive, closing(sqlite3.connect(path)) as raw:
        runs = {summary.run for summary in archive.runs(500)}
        for run in sorted(runs | truth.batches.keys()):
            if run not in runs:
                account.wrong.append(f"run {run} was measured and is not in the store")
                continue
            settle_run(account, archive, raw, truth, run, batches.get(run, []))
        for run in truth.starts:
            if run not in runs:
                account.wrong.append(f"run {run} was started and is not in the store")
            elif archive.header(run).asked_by == STALE:
                account.wrong.append(f"run {run} was started by {STALE}, whose words were all stale")
    if len(truth.starts) != len(set(truth.starts)):
        account.wrong.append(f"a run began to execute twice: {truth.starts}")


def settle_run(
    account: Account, archive: Any, raw: Any, truth: Truth, run: str, received: list[dict[str, Any]]
) -> None:
    stored: list[Batch] = archive.points(run, limit=10**7)
    result, made = archive.result(run), truth.made(run)
    have = {index for batch in stored for index in range(batch.first, batch.after)}
    low, high = (key(archive.number(run) + more, 0) for more in (0, 1))
    ((rows,),) = raw.execute("SELECT coalesce(sum(count), 0) FROM batches WHERE key >= ? AND key < ?", (low, high))
    account.sent += made
    account.stored += len(have)
    account.doubled += rows - len(have)
    if rows != len(have):
        account.wrong.append(f"run {run}: {rows} points are stored under {len(have)} indices")
    acknowledged = truth.acknowledged.get(run, 0)
    lost = [index for index in range(min(acknowledged, made)) if index not in have]
    told = {index for first, after in (result.gaps if result else ()) for index in range(first, after)}
    overwritten = truth.overwritten.get(run, set())
    lost = [index for index in lost if index not in overwritten]
    account.lost += len(lost)
    account.gone += made - len(have)
    if lost:
        account.wrong.append(f"run {run}: {len(lost)} acknowledged points are not stored, from {lost[0]} on")
    if have - set(range(made)):
        account.wrong.append(f"run {run}: points are stored that were never measured")
    account.wrong += [f"run {run}: {sentence}" for sentence in verify(archive, run)]
    account.outcomes.append("open" if result is None else f"{result.state}: {result.outcome}")
    kinds = {event.kind for event in archive.events(run)}
    account.interrupted |= "link" in kinds
    silent = set(range(made)) - have - told
    if result is not None and silent and not (truth.rebooted or "lost" in kinds):
        account.wrong.append(f"run {run}: {len(silent)} points are missing and nobody says so, from {min(silent)} on")
    if result is not None and overwritten - have and "gap" not in kinds and "lost" not in kinds:
        account.wrong.append(f"run {run}: a gap without an event")
    measured = truth.batches.get(run, [])
    _same(account, run, "stored", measured, stored)
    got = [_decoded(run, content) for content in received]
    have_got = {index for batch in got for index in range(batch.first, batch.after)}
    account.received += len(have_got)
    if have_got != have:
        account.wrong.append(f"run {run}: {len(have - have_got)} stored points never reached the subscriber")
    _same(account, run, "received", measured, got)


def _decoded(run: str, content: dict[str, Any]) -> Batch:
    columns = {
        name: np.array([np.nan if value is None else value for value in values], COLUMNS[name].dtype)
        for name, values in content["columns"].items()
    }
    return Batch(run, content["boot"], content["first"], columns)


def _same(account: Account, run: str, what: str, measured: list[Batch], found: list[Batch]) -> None:
    """Every point that was found is what was measured under its index, by the same instrument since the same start."""
    if not measured:
        return
    whole = {name: np.concatenate([batch.columns[name] for batch in measured]) for name in measured[0].columns}
    for batch in found:
        for name, column in batch.columns.items():
            if not np.array_equal(column, whole[name][batch.first : batch.after], equal_nan=True):
                account.wrong.append(f"run {run}: {what} points from {batch.first} on have another {name}")
                return
        if measured[0].boot not in ("", batch.boot):
            account.wrong.append(f"run {run}: {what} points from {batch.first} on tell of another start")
