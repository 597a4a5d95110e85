"""Reading a store: one short read for each question, whatever the daemon writes meanwhile."""

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Self

import numpy as np

from luggin.daemon.store import codec, evaluations, search
from luggin.daemon.store.coverage import Span
from luggin.daemon.store.errors import NoSuchRun
from luggin.daemon.store.locate import MOST_INDEX, ask, load_stored, log_scope, rows, run_scope
from luggin.daemon.store.records import Anchor, Deletion, EvaluationSummary, LogEntry, RunSummary, RunTexts
from luggin.daemon.store.schema import connect_reading
from luggin.protocol.payloads import Evaluation, RunEvent, RunHeader, RunResult
from luggin.protocol.points import COLUMNS, Array, Batch, join

_AT_ONCE = 65536
ANY = search.Wanted()


def open_store(path: Path | str) -> "Archive":
    """Open a store for reading, beside a daemon that writes it or without one.

    Raises StoreError when there is none, StoreVersion when it is something else.
    """
    return Archive(connect_reading(Path(path)))


class Archive:
    """Runs, points and events as far as they are committed.  Questions about an unknown run raise NoSuchRun."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        search.teach(connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._connection.close()

    @contextmanager
    def moment(self) -> Iterator[None]:
        """All questions within are answered as of one moment, whatever is written meanwhile.  Keep it short: what is
        written then stays in the journal."""
        self._connection.execute("BEGIN")
        try:
            yield
        finally:
            self._connection.execute("ROLLBACK")

    @property
    def connection(self) -> sqlite3.Connection:
        """For questions of other modules of the store."""
        return self._connection

    def runs(
        self, limit: int = 50, before: str = "", deleted: bool = False, wanted: search.Wanted = ANY
    ) -> list[RunSummary]:
        """The newest of the wanted runs, newest first, started before the run `before` when that is given.

        Deleted ones are left out, or are all that is told with `deleted`.
        """
        number = self.number(before) if before else MOST_INDEX
        conditions, values = search.conditions(wanted)
        found = self._all(
            "SELECT r.number, r.run, r.instrument, r.method, r.technique, r.utc, s.body,"
            " json_extract(r.header, '$.method.setup.sample'), json_extract(r.header, '$.method.setup.electrode')"
            " FROM runs r LEFT JOIN results s ON s.run = r.number WHERE r.number < ?"
            " AND (r.number IN (SELECT run FROM deleted)) = ?"
            f"{''.join(f' AND {each}' for each in conditions)} ORDER BY r.number DESC LIMIT ?",
            number,
            deleted,
            *values,
            limit,
        )
        summaries = []
        for run_number, name, instrument, method, technique, utc, body, sample, electrode in found:
            result = {} if body is None else json.loads(body)
            points = load_stored(self._connection, run_number).count
            state, outcome = result.get("state"), result.get("outcome")
            cell = (sample or "", electrode or "")
            summaries.append(RunSummary(name, instrument, method, technique, utc, points, state, outcome, *cell))
        return summaries

    def names(self) -> list[str]:
        """Every run in the order in which they started, deleted ones too."""
        return [run for (run,) in self._all("SELECT run FROM runs ORDER BY number")]

    def instruments(self) -> list[str]:
        """Those that have a log."""
        found = self._all("SELECT DISTINCT scope FROM events WHERE scope GLOB ?", log_scope("*"))
        return [scope.partition("/")[2] for (scope,) in found]

    def number(self, run: str) -> int:
        row = self._one("SELECT number FROM runs WHERE run = ?", run)
        if row is None:
            raise NoSuchRun(f"no run {run} is stored")
        return int(row[0])

    def deletion(self, run: str) -> Deletion | None:
        """Who deleted the run, None while nobody has."""
        row = self._one("SELECT utc, asked_by, reason, purging FROM deleted WHERE run = ?", self.number(run))
        return None if row is None else Deletion(row[0], row[1], row[2], bool(row[3]))

    def header(self, run: str) -> RunHeader:
        row = self._one("SELECT header FROM runs WHERE number = ?", self.number(run))
        assert row is not None
        return RunHeader.model_validate_json(row[0])

    def result(self, run: str) -> RunResult | None:
        """How the run ended, None while it hasn't."""
        row = self._one("SELECT body, seal, hash FROM results WHERE run = ?", self.number(run))
        if row is None:
            return None
        return RunResult.model_validate_json(row[0]).model_copy(update={"seal": row[1], "hash": row[2].hex()})

    def texts(self, run: str) -> RunTexts:
        """Header, events, result and seal as they are stored and hashed."""
        number = self.number(run)
        ((header, header_hash),) = self._all("SELECT header, hash FROM runs WHERE number = ?", number)
        events = self._all("SELECT number, body, hash FROM events WHERE scope = ? ORDER BY number", run_scope(run))
        result = self._one("SELECT body, seal, events, hash FROM results WHERE run = ?", number)
        body, seal, count, digest = result or (None, None, 0, None)
        return RunTexts(
            header, header_hash, tuple((n, text, link) for n, text, link in events), body, seal, count, digest
        )

    def events(self, run: str, first: int = 0, limit: int | None = None) -> list[RunEvent]:
        """The run's events in order, from number `first` on."""
        self.number(run)
        return [
            RunEvent(
                run=run,
                **{name: entry[name] for name in ("number", "kind", "sentence", "data", "utc")},
                hash=digest.hex(),
            )
            for entry, digest in self._entries(run_scope(run), first, limit)
        ]

    def log(self, instrument: str | None, first: int = 0, limit: int | None = None) -> list[LogEntry]:
        """The log of an instrument, or of the node for None."""
        return [_log_entry(entry) for entry, _ in self._entries(log_scope(instrument), first, limit)]

    def log_between(self, instrument: str | None, since: float, until: float, limit: int) -> list[LogEntry]:
        """The first entries of a log that were written from `since` to `until`, s since 1970."""
        found = self._all(
            "SELECT body FROM events WHERE scope = ? AND json_extract(body, '$.utc') BETWEEN ? AND ?"
            " ORDER BY number LIMIT ?",
            log_scope(instrument),
            since,
            until,
            limit,
        )
        return [_log_entry(json.loads(body)) for (body,) in found]

    def newest_entry(self, instrument: str, *kinds: str) -> LogEntry | None:
        """The newest entry of these kinds in the instrument's log."""
        scope = log_scope(instrument)
        newest = (
            "SELECT max(number) FROM events INDEXED BY kinds_in_logs WHERE scope = ?"
            " AND json_extract(body, '$.kind') = ? AND substr(scope, 1, 4) <> 'run/'"  # the index's own conditions
        )
        numbers = [self._all(newest, scope, kind)[0][0] for kind in kinds]
        found = [number for number in numbers if number is not None]
        return self.log(instrument, max(found), 1)[0] if found else None

    def anchors(self, run: str) -> list[Anchor]:
        self.number(run)
        found = self._all(
            "SELECT instrument, run, boot, monotonic, utc, synchronised, instrument_time, run_time FROM anchors"
            " WHERE run = ? ORDER BY number",
            run,
        )
        return [
            Anchor(instrument, of, boot, monotonic, utc, bool(synchronised), own, since)
            for instrument, of, boot, monotonic, utc, synchronised, own, since in found
        ]

    def points(self, run: str, first: int = 0, after: int | None = None, limit: int | None = None) -> list[Batch]:
        """Stored points with indices in [first, after) in order, at most `limit` points; holes are left out."""
        spans = [(first, MOST_INDEX if after is None else after)]
        return join(self.batches(run, spans, limit))

    def batches(self, run: str, spans: list[Span], limit: int | None = None) -> Iterator[Batch]:
        """The same, as they are stored, for several spans of indices."""
        number, left = self.number(run), MOST_INDEX if limit is None else limit
        boots, layouts = self._boots(), self._layouts()
        for first, after in spans:
            with closing(rows(self._connection, number, first, after, "boot, layout, packed, crc, data")) as scan:
                for start, count, boot, layout, packed, crc, data in scan:
                    columns = codec.decode(layouts[layout], count, packed, data, crc)
                    part = Batch(run, boots[boot], start, columns).cut(first, min(after, max(start, first) + left))
                    if part is None:
                        return
                    yield part
                    left -= part.count
                    if left == 0:
                        return

    def columns(self, run: str) -> dict[str, Array]:
        """All stored points of a run: `index` and each column in the order of COLUMNS, arrays of shape (points,).

        A column that only a part of the points has is NaN elsewhere.
        """
        spans = list(load_stored(self._connection, self.number(run)).spans())
        parts: dict[str, list[Array]] = {"index": [np.empty(0, "<i8")]}
        done = 0
        for batch in self.chunks(run, spans):
            parts["index"].append(np.arange(batch.first, batch.after))
            for name in {**parts, **batch.columns}:
                if name not in parts:
                    parts[name] = [_nothing(done)] if done else []
                if name in batch.columns:
                    parts[name].append(batch.columns[name])
                elif name != "index":
                    parts[name].append(_nothing(batch.count))
            done += batch.count
        return {name: np.concatenate(parts.pop(name)) for name in ("index", *COLUMNS) if name in parts}

    def chunks(self, run: str, spans: list[Span]) -> Iterator[Batch]:
        """Points in the order of their indices, some ten thousand at a time, with no read open in between."""
        for first, after in spans:
            while first < after:
                batches = join(self.batches(run, [(first, after)], _AT_ONCE))
                yield from batches
                first = batches[-1].after if batches else after

    def digest(self, run: str) -> str:
        """The seal of what is stored now: JSON of `spans` and, for each of `columns`, the SHA-256 of its values."""
        spans = list(load_stored(self._connection, self.number(run)).spans())
        return json.dumps({"spans": spans, "columns": self.digests(run, spans)}, separators=(",", ":"))

    def digests(self, run: str, spans: list[Span]) -> dict[str, str]:
        """SHA-256 of each column's values in their stored form, in the order of the indices in `spans`."""
        sums: dict[str, Any] = {}
        for batch in self.chunks(run, spans):
            for name, values in batch.columns.items():
                sums.setdefault(name, hashlib.sha256()).update(np.ascontiguousarray(values).data)
        return {name: each.hexdigest() for name, each in sums.items()}

    def gaps(self, run: str, end: int = 0) -> list[Span]:
        """Index ranges [first, after) that are missing between 0 and the last point known of.

        Points below `end` count as known of, and so do those that the run's result knew to be lost.
        """
        result = self.result(run)
        known = max((after for _, after in result.gaps), default=0) if result is not None else 0
        stored = load_stored(self._connection, self.number(run))
        return stored.missing(0, max(known, stored.end, end))

    def stored_after(self, run: str) -> int:
        """The index after the last contiguous point: what the instrument may forget, where a replay starts."""
        return load_stored(self._connection, self.number(run)).contiguous

    def end(self, run: str) -> int:
        """The index after the newest stored point."""
        return load_stored(self._connection, self.number(run)).end

    def boots(self, run: str) -> list[tuple[str, int, int]]:
        """(boot, first, after) of the points that came from each boot of the instrument, in the order of indices."""
        return self._stretches(run, "boot", self._boots())

    def layouts(self, run: str) -> list[tuple[str, int, int]]:
        """(layout, first, after) of the points that have the same columns, in the order of indices; see codec."""
        return self._stretches(run, "layout", self._layouts())

    def _stretches(self, run: str, column: str, names: dict[int, str]) -> list[tuple[str, int, int]]:
        number, found = self.number(run), list[tuple[str, int, int]]()
        for first, count, which in rows(self._connection, number, 0, MOST_INDEX, column):
            if found and found[-1][0] == names[which] and found[-1][2] == first:
                found[-1] = (names[which], found[-1][1], first + count)
            else:
                found.append((names[which], first, first + count))
        return found

    def unfinished(self) -> list[str]:
        """Runs without a result, in the order in which they started."""
        found = self._all(
            "SELECT run FROM runs WHERE number NOT IN (SELECT run FROM results) ORDER BY number",
        )
        return [run for (run,) in found]

    def evaluations(
        self,
        kind: str | None = None,
        subject: str | None = None,
        run: str | None = None,
        limit: int = 50,
        before: str = "",
    ) -> list[EvaluationSummary]:
        """The newest evaluations of this kind, subject and run, newest first, stored before the evaluation `before`
        when that is given.  Raises NoSuchEvaluation."""
        return evaluations.find(self._connection, kind, subject, run, limit, before)

    def evaluation(self, name: str) -> Evaluation:
        """The whole of an evaluation.  Raises NoSuchEvaluation."""
        return Evaluation.model_validate_json(evaluations.text_of(self._connection, name))

    def evaluation_text(self, name: str) -> str:
        """The same as it is stored and hashed: canonical JSON."""
        return evaluations.text_of(self._connection, name)

    def newest_evaluation(
        self, kind: str | None = None, subject: str | None = None, run: str | None = None
    ) -> Evaluation | None:
        """The newest of `evaluations`."""
        found = self.evaluations(kind, subject, run, 1)
        return self.evaluation(found[0].name) if found else None

    def evaluations_of(self, run: str, first: int = 0, limit: int = 100) -> list[tuple[int, Evaluation]]:
        """(position, evaluation) of a run in the order in which they were stored, from position `first` on."""
        return evaluations.of_run(self._connection, self.number(run), first, limit)

    def unevaluated(self) -> list[str]:
        """Runs that have ended and wait for the evaluation that follows a run, in the order in which they started."""
        found = self._all("SELECT r.run FROM unevaluated u JOIN runs r ON r.number = u.run ORDER BY u.run")
        return [run for (run,) in found]

    def last_boot(self, instrument: str) -> str | None:
        """The boot id last seen of this instrument."""
        row = self._one("SELECT boot FROM boots WHERE instrument = ? ORDER BY number DESC LIMIT 1", instrument)
        return None if row is None else str(row[0])

    def _boots(self) -> dict[int, str]:
        return dict(self._all("SELECT number, boot FROM boots"))

    def _layouts(self) -> dict[int, str]:
        return dict(self._all("SELECT number, layout FROM layouts"))

    def _entries(self, scope: str, first: int, limit: int | None) -> list[tuple[dict[str, Any], bytes]]:
        found = self._all(
            "SELECT body, hash FROM events WHERE scope = ? AND number >= ? ORDER BY number LIMIT ?",
            scope,
            first,
            -1 if limit is None else limit,
        )
        return [(json.loads(body), digest) for body, digest in found]

    def _one(self, statement: str, *values: object) -> tuple[Any, ...] | None:
        found = self._all(statement, *values)
        return found[0] if found else None

    def _all(self, statement: str, *values: object) -> list[tuple[Any, ...]]:
        return ask(self._connection, statement, *values)


def _log_entry(entry: dict[str, Any]) -> LogEntry:
    return LogEntry(entry["number"], entry["kind"], entry["sentence"], entry["data"], entry["utc"])


def _nothing(count: int) -> Array:
    return np.full(count, np.nan, "<f4")
