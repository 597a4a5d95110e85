"""Taking a run out of another store: texts, hashes, points, clocks and evaluations as they are, told in the node's log.

While its points come, slice by slice, the run counts as deleted, so that nobody takes a part for the whole; an import
that was interrupted is gone on with by asking for it again.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from luggin.daemon.store import evaluations
from luggin.daemon.store.archive import Archive, open_store
from luggin.daemon.store.coverage import Coverage
from luggin.daemon.store.errors import NoSuchRun, StoreConflict
from luggin.daemon.store.ledger import Ledger, Note
from luggin.daemon.store.locate import ask, load_stored, run_scope
from luggin.daemon.store.publication import STREAMS, dump_taken
from luggin.daemon.store.records import Anchor, RunTexts
from luggin.protocol.payloads import RunHeader
from luggin.protocol.points import Batch

UNDER_WAY = "its import has not ended: import it again, or purge it"
POINTS_AT_ONCE = 16_384


@dataclass(frozen=True)
class Whole:
    """A run of another store beside its points: `made` are its evaluations' texts in the order of their storing,
    `stored` is which points there are."""

    header: RunHeader
    texts: RunTexts
    anchors: tuple[Anchor, ...]
    made: tuple[str, ...]
    stored: Coverage

    @property
    def run(self) -> str:
        return self.header.run


def gather(source: Path, run: str) -> Whole:
    """Raises NoSuchRun, StoreConflict for a run that has not ended."""
    with open_store(source) as archive:
        texts = archive.texts(run)
        if texts.result is None:
            raise StoreConflict(f"run {run} had not ended when it was exported; export it again once it has")
        made = tuple(archive.evaluation_text(each.name) for _, each in archive.evaluations_of(run, limit=-1))
        stored = load_stored(archive.connection, archive.number(run))
        return Whole(archive.header(run), texts, tuple(archive.anchors(run)), made, stored)


def slices(source: Path, whole: Whole) -> Iterator[list[Batch]]:
    """The run's points, some at a time, with no read open in between."""
    for first, after in whole.stored.spans():
        while first < after:
            with open_store(source) as archive:
                batches = archive.points(whole.run, first, after, POINTS_AT_ONCE)
            yield batches
            first = batches[-1].after


def begin(ledger: Ledger, whole: Whole, by: str, utc: float) -> bool:
    """Make room for the run; whether anything of it is new.  Raises StoreConflict where another one has its name."""
    connection, texts = ledger.connection, whole.texts
    found = ask(connection, "SELECT number, hash FROM runs WHERE run = ?", whole.run)
    if not found:
        ledger.begin(whole.header)
        connection.execute(
            "UPDATE runs SET header = ?, hash = ? WHERE run = ?", (texts.header, texts.header_hash, whole.run)
        )
        number = _number(connection, whole.run)
        connection.execute(
            "INSERT INTO results (run, body, seal, events, hash) VALUES (?, ?, ?, ?, ?)",
            (number, texts.result, texts.seal, texts.sealed_events, texts.result_hash),
        )
        connection.execute(
            "INSERT INTO deleted (run, utc, asked_by, reason, purging) VALUES (?, ?, ?, ?, 1)",
            (number, utc, by, UNDER_WAY),
        )
        return True
    archive = Archive(connection)
    removed, here = archive.deletion(whole.run), archive.texts(whole.run)
    if removed is not None and removed.reason != UNDER_WAY:
        raise StoreConflict(f"run {whole.run} is deleted here; restore or purge it first")
    if (here.header_hash, here.result_hash) != (texts.header_hash, texts.result_hash):
        raise StoreConflict(f"another run {whole.run} is stored here; what is stored is not changed")
    common = min(len(here.events), len(texts.events))
    if here.events[:common] != texts.events[:common]:
        raise StoreConflict(f"what is told of run {whole.run} here went another way; what is stored is not changed")
    return removed is not None or len(texts.events) > common


def note(whole: Whole, by: str) -> Note:
    """What the node's log tells of it."""
    data = {"run": whole.run, "asked_by": by, "node": whole.header.node, "head": whole.texts.head.hex()}
    return Note(None, None, "imported", f"{by} imported run {whole.run} of {whole.header.node}", data)


def end(ledger: Ledger, whole: Whole, told: Note) -> None:
    """All points are there: add what else the run has, show it, and tell of it."""
    connection, texts, run = ledger.connection, whole.texts, whole.run
    number = _number(connection, run)
    known = len(ask(connection, "SELECT number FROM events WHERE scope = ?", run_scope(run)))
    connection.executemany(
        "INSERT INTO events (scope, number, body, hash) VALUES (?, ?, ?, ?)",
        [(run_scope(run), place, text, digest) for place, text, digest in texts.events[known:]],
    )
    anchored = ask(connection, "SELECT 1 FROM anchors WHERE run = ? LIMIT 1", run)
    for each in () if anchored else whole.anchors:
        ledger.anchor(each)
    for text in whole.made:
        evaluations.attach(connection, text, number)
    positions = {"points": whole.stored.end, "events": len(texts.events), "evaluations": len(whole.made)}
    # It was published, if ever, by the daemon that measured it.
    taken = {stream: Coverage(positions.get(stream, 1)) for stream in STREAMS}
    connection.execute("UPDATE publication SET taken = ?, drained = 1 WHERE run = ?", (dump_taken(taken), number))
    connection.execute("DELETE FROM deleted WHERE run = ?", (number,))
    ledger.append(told)


def _number(connection: sqlite3.Connection, run: str) -> int:
    found = ask(connection, "SELECT number FROM runs WHERE run = ?", run)
    if not found:
        raise NoSuchRun(f"run {run} was purged while it was imported")
    return int(found[0][0])
