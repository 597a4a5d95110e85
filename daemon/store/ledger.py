"""What is written, within a transaction that someone else begins and commits.

A ledger remembers of each run it writes where its points and its chain of events stand.  After a rollback it must
`forget`, so that it reads these again.
"""

import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from luggin.daemon.store import chain, codec, evaluations, removal
from luggin.daemon.store.coverage import Coverage
from luggin.daemon.store.errors import NoSuchRun, StoreConflict
from luggin.daemon.store.locate import MOST_INDEX, key, load_stored, log_scope, rows, run_scope
from luggin.daemon.store.publication import Taken, dump_taken, is_drained, load_taken, union
from luggin.daemon.store.records import Anchor
from luggin.protocol.payloads import Evaluation, RunHeader, RunResult
from luggin.protocol.points import Batch, join

MOST_IN_ROW = 8192
CHAINED = {"hash", "seal"}
"""Fields of a result that follow from the others and from what is stored."""


@dataclass
class _Chain:
    scope: str
    count: int
    head: bytes


@dataclass
class _Book:
    """Where one run stands."""

    number: int
    instrument: str
    chain: _Chain
    stored: Coverage
    finished: bool
    drained: bool
    telling: bool = True


@dataclass
class Note:
    """An event to be appended.  `hash` is what an attempt gave it, so that a second attempt after a failed sync finds
    it when the first one has reached the disk after all."""

    run: str | None
    instrument: str | None
    kind: str
    sentence: str
    data: Mapping[str, Any]
    hash: bytes | None = None


class Ledger:
    def __init__(self, connection: sqlite3.Connection, utc: Callable[[], float]) -> None:
        self._connection = connection
        self._utc = utc
        self._books: dict[str, _Book] = {}
        self._logs: dict[str, _Chain] = {}
        self._boots: dict[tuple[str, str], int] = {}
        self._layouts: dict[str, int] = {}

    @property
    def connection(self) -> sqlite3.Connection:
        """For other modules of the store, within the same transaction."""
        return self._connection

    def forget(self) -> None:
        for memory in (self._books, self._logs, self._boots, self._layouts):
            memory.clear()

    def begin(self, header: RunHeader) -> None:
        text = chain.canonical(header.model_dump(mode="json"))
        digest = chain.start(text)
        row = self._one("SELECT hash FROM runs WHERE run = ?", header.run)
        if row is not None:
            if row[0] != digest:
                raise StoreConflict(f"a run {header.run} is stored already; give the new one another name")
            return
        method = str(header.method.get("name", ""))
        technique = str(header.method.get("technique", ""))
        self._boot(header.instrument, header.boot)
        number = self._connection.execute(
            "INSERT INTO runs (run, instrument, method, technique, utc, header, hash) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (header.run, header.instrument, method, technique, header.utc, text, digest),
        ).lastrowid
        self._connection.execute("INSERT INTO publication (run, taken, drained) VALUES (?, '{}', 0)", (number,))

    def store(self, run: str, batches: Iterable[Batch], *, telling: bool = True) -> int:
        """Store what of the batches is new; returns the index after the last contiguous point of the run.

        Without `telling` no event says what happened to the points: those of another store do.
        """
        book = self._book(run)
        book.telling = telling
        for batch in join(sorted(batches, key=lambda each: each.first)):
            if batch.first < 0 or batch.after > MOST_INDEX:
                raise StoreConflict(f"point {batch.first} of run {run} has an impossible index; check the instrument")
            self._store(run, book, batch)
        return book.stored.contiguous

    def _store(self, run: str, book: _Book, batch: Batch) -> None:
        layout = self._layout(codec.layout_of(batch.columns))
        boot = self._boot(book.instrument, batch.boot)
        parts = book.stored.missing(batch.first, batch.after)
        if sum(after - first for first, after in parts) < batch.count:
            self._note_other_boot(run, book, batch, boot)
        for first, after in parts:
            if book.finished:
                self._note(
                    run, book, "late-points", f"{_points(first, after)} came after the run had ended", first, after
                )
            if first > book.stored.end:
                missing = book.stored.end
                self._note(run, book, "gap", f"{_points(missing, first)} are missing", missing, first)
            elif first < book.stored.end:
                self._note(run, book, "gap-closed", f"{_points(first, after)}, missing before, came late", first, after)
            for low in range(first, after, MOST_IN_ROW):
                piece = batch.cut(low, min(low + MOST_IN_ROW, after))
                assert piece is not None
                data, packed = codec.encode(piece.columns)
                self._connection.execute(
                    "INSERT INTO batches (key, count, boot, layout, packed, crc, data) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (key(book.number, low), piece.count, boot, layout, packed, codec.checksum(data), data),
                )
            self._cover(book, first, after)
        if parts and book.drained:
            self._undrain(book)

    def _cover(self, book: _Book, first: int, after: int) -> None:
        before, book.stored = book.stored.holes, book.stored.add(first, after)
        if before == book.stored.holes:
            return
        was, now = set(before), set(book.stored.holes)
        for hole in was - now:
            self._connection.execute("DELETE FROM holes WHERE run = ? AND first = ?", (book.number, hole[0]))
        for hole in now - was:
            self._connection.execute("INSERT INTO holes (run, first, after) VALUES (?, ?, ?)", (book.number, *hole))

    def _note_other_boot(self, run: str, book: _Book, batch: Batch, boot: int) -> None:
        """The same index from another boot may be another point: what came first is kept, and this is not hidden."""
        others = [
            (first, first + count)
            for first, count, stored_boot in rows(self._connection, book.number, batch.first, batch.after, "boot")
            if stored_boot != boot
        ]
        if not others:
            return
        first, after = max(others[0][0], batch.first), min(others[-1][1], batch.after)
        sentence = f"{_points(first, after)} came again after the instrument restarted; the first ones are kept"
        self._note(run, book, "repeated-index", sentence, first, after)

    def _note(self, run: str, book: _Book, kind: str, sentence: str, first: int, after: int) -> None:
        if book.telling:
            self.append(Note(run, None, kind, sentence, {"first": first, "after": after}))

    def append(self, note: Note) -> int:
        """Append an event to its chain; returns its number."""
        if note.run is not None:
            book = self._book(note.run)
            link = book.chain
            if book.drained:
                self._undrain(book)
        else:
            link = self._log(log_scope(note.instrument))
        if note.hash is not None:
            row = self._one("SELECT number FROM events WHERE scope = ? AND hash = ?", link.scope, note.hash)
            if row is not None:
                return int(row[0])
        number = link.count
        text = chain.event_text(link.scope, number, note.kind, note.sentence, note.data, self._utc())
        note.hash = chain.link(link.head, text)
        self._connection.execute(
            "INSERT INTO events (scope, number, body, hash) VALUES (?, ?, ?, ?)", (link.scope, number, text, note.hash)
        )
        link.count, link.head = number + 1, note.hash
        return number

    def finish(self, result: RunResult, seal: str) -> None:
        book = self._book(result.run)
        text = chain.canonical(result.model_dump(mode="json", exclude=CHAINED))
        row = self._one("SELECT body FROM results WHERE run = ?", book.number)
        if row is not None:
            if row[0] != text:
                raise StoreConflict(f"run {result.run} has a result already; what is stored is not changed")
            return
        digest = chain.link(book.chain.head, text + seal)
        self._connection.execute(
            "INSERT INTO results (run, body, seal, events, hash) VALUES (?, ?, ?, ?, ?)",
            (book.number, text, seal, book.chain.count, digest),
        )
        self._connection.execute("INSERT INTO unevaluated (run) VALUES (?)", (book.number,))
        del self._books[result.run]

    def evaluate(self, evaluation: Evaluation) -> None:
        """Store an evaluation with the events that tell of it."""
        evaluations.write(self._connection, evaluation, lambda *words: self.append(Note(*words)))

    def evaluated(self, run: str) -> None:
        """The evaluation that follows a run is done with."""
        self._connection.execute("DELETE FROM unevaluated WHERE run = (SELECT number FROM runs WHERE run = ?)", (run,))

    def delete(self, run: str, asked_by: str, reason: str) -> None:
        """Count a run as deleted, see removal.  Raises StoreConflict, NoSuchRun, as do the following."""
        removal.delete(self._connection, run, self._utc(), asked_by, reason)
        self._tell("deleted", f"{asked_by} deleted run {run}: {reason}", run, asked_by, reason=reason)

    def restore(self, run: str, asked_by: str) -> None:
        removal.restore(self._connection, run)
        self._tell("restored", f"{asked_by} restored run {run}", run, asked_by)

    def begin_purge(self, run: str, asked_by: str) -> None:
        """From here on the run can't be restored; it is told at once, with the hashes of what is to go."""
        hashes = removal.begin_purge(self._connection, run)
        if hashes is not None:
            self._tell("purged", f"{asked_by} purged run {run}", run, asked_by, **hashes)

    def purge_some(self, run: str) -> bool:
        """Take out a part of a run that is being purged; whether anything is left."""
        return removal.purge_some(self._connection, run)

    def _tell(self, kind: str, sentence: str, run: str, asked_by: str, **more: str) -> None:
        self.append(Note(None, None, kind, sentence, {"run": run, "asked_by": asked_by, **more}))

    def anchor(self, anchor: Anchor) -> None:
        self._boot(anchor.instrument, anchor.boot)
        values = (
            anchor.instrument,
            anchor.run,
            anchor.boot,
            float(anchor.monotonic),
            float(anchor.utc),
            int(anchor.synchronised),
            float(anchor.instrument_time),
            None if anchor.run_time is None else float(anchor.run_time),
        )
        newest = self._one(
            "SELECT instrument, run, boot, monotonic, utc, synchronised, instrument_time, run_time FROM anchors"
            " ORDER BY number DESC LIMIT 1"
        )
        if newest == values:
            return
        self._connection.execute(
            "INSERT INTO anchors (instrument, run, boot, monotonic, utc, synchronised, instrument_time, run_time)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            values,
        )

    def publish(self, marks: Mapping[str, Taken]) -> None:
        """Add to what the broker has taken of each run."""
        for run, more in marks.items():
            row = self._one(
                "SELECT p.run, p.taken FROM publication p JOIN runs r ON r.number = p.run WHERE r.run = ?", run
            )
            if row is None:
                continue
            number, taken = int(row[0]), union(load_taken(row[1]), more)
            drained = is_drained(self._connection, number, run, taken)
            self._connection.execute(
                "UPDATE publication SET taken = ?, drained = ? WHERE run = ?", (dump_taken(taken), drained, number)
            )
            if run in self._books:
                self._books[run].drained = drained

    def _undrain(self, book: _Book) -> None:
        self._connection.execute("UPDATE publication SET drained = 0 WHERE run = ?", (book.number,))
        book.drained = False

    def _book(self, run: str) -> _Book:
        book = self._books.get(run)
        if book is not None:
            return book
        row = self._one(
            "SELECT r.number, r.instrument, r.hash, p.drained, EXISTS (SELECT 1 FROM results WHERE run = r.number)"
            " FROM runs r JOIN publication p ON p.run = r.number WHERE r.run = ?",
            run,
        )
        if row is None:
            raise NoSuchRun(f"no run {run} is stored")
        number, instrument, digest, drained, finished = row
        stored = load_stored(self._connection, number)
        book = _Book(number, instrument, self._load(run_scope(run), digest), stored, bool(finished), bool(drained))
        if not finished:
            self._books[run] = book
        return book

    def _log(self, scope: str) -> _Chain:
        if scope not in self._logs:
            self._logs[scope] = self._load(scope, chain.start(scope))
        return self._logs[scope]

    def _load(self, scope: str, start: bytes) -> _Chain:
        row = self._one("SELECT number, hash FROM events WHERE scope = ? ORDER BY number DESC LIMIT 1", scope)
        return _Chain(scope, 0, start) if row is None else _Chain(scope, row[0] + 1, row[1])

    def _boot(self, instrument: str, boot: str) -> int:
        where = (instrument, boot)
        if where not in self._boots:
            self._boots[where] = self._number_of("boots", "instrument, boot", where)
        return self._boots[where]

    def _layout(self, layout: str) -> int:
        if layout not in self._layouts:
            self._layouts[layout] = self._number_of("layouts", "layout", (layout,))
        return self._layouts[layout]

    def _number_of(self, table: str, columns: str, values: Sequence[str]) -> int:
        marks = ", ".join("?" * len(values))
        self._connection.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", values)
        row = self._one(f"SELECT number FROM {table} WHERE ({columns}) = ({marks})", *values)
        assert row is not None
        return int(row[0])

    def _one(self, statement: str, *values: object) -> tuple[Any, ...] | None:
        row: tuple[Any, ...] | None = self._connection.execute(statement, values).fetchone()
        return row


def _points(first: int, after: int) -> str:
    return f"point {first}" if after == first + 1 else f"points {first} to {after - 1}"
