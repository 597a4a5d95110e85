"""Evaluations in the database: how one is written, and how they are found again."""

import json
import sqlite3
from collections.abc import Callable, Mapping

from luggin.daemon.store import chain
from luggin.daemon.store.errors import NoSuchEvaluation, NoSuchRun, StoreConflict
from luggin.daemon.store.locate import MOST_INDEX, ask
from luggin.daemon.store.records import EvaluationSummary
from luggin.protocol.payloads import Evaluation

EVALUATED, FAILED = "evaluated", "evaluation-failed"
"""Kinds of events."""

Append = Callable[[str | None, str | None, str, str, Mapping[str, object]], object]
"""Appends an event: run, instrument, kind, sentence, data."""


def write(connection: sqlite3.Connection, evaluation: Evaluation, append: Append) -> None:
    """Store an evaluation and tell of it in the events of each of its runs, or in the log that its subject has.

    Runs that this store doesn't hold (it may be a copy of a part) are passed over until it does, but one it must hold.
    Saying the same again changes nothing.  Raises StoreConflict, NoSuchRun.
    """
    text = chain.canonical(evaluation.model_dump(mode="json"))
    digest = chain.start(text)
    stored = ask(connection, "SELECT hash, number FROM evaluations WHERE name = ?", evaluation.name)
    if stored and stored[0][0] != digest:
        raise StoreConflict(f"an evaluation {evaluation.name} is stored already; give the new one another name")
    if stored and not evaluation.runs:
        return
    runs = {
        run: int(number)
        for run in dict.fromkeys(evaluation.runs)
        for (number,) in ask(connection, "SELECT number FROM runs WHERE run = ?", run)
    }
    if evaluation.runs and not runs:
        raise NoSuchRun(f"no run {evaluation.runs[0]} is stored")
    number = stored[0][1] if stored else _insert(connection, evaluation, text, digest)
    linked = {run for (run,) in ask(connection, "SELECT run FROM evaluation_runs WHERE evaluation = ?", number)}
    runs = {run: run_number for run, run_number in runs.items() if run_number not in linked}
    for run_number in runs.values():
        _link(connection, run_number, number)
    sentence = f"{evaluation.kind}, stored as {evaluation.name}"
    data = {"name": evaluation.name, "kind": evaluation.kind, "hash": digest.hex()}
    for run in runs:
        append(run, None, EVALUATED, sentence, data)
    if not evaluation.runs:
        append(None, instrument_of(evaluation.subject), EVALUATED, sentence, data)


def attach(connection: sqlite3.Connection, text: str, run: int) -> None:
    """Add an evaluation, as another store has it, to those of the run of this number, whose events tell of it.

    Raises StoreConflict.
    """
    evaluation, digest = Evaluation.model_validate_json(text), chain.start(text)
    stored = ask(connection, "SELECT hash, number FROM evaluations WHERE name = ?", evaluation.name)
    if stored and stored[0][0] != digest:
        raise StoreConflict(f"another evaluation {evaluation.name} is stored here; what is stored is not changed")
    number = stored[0][1] if stored else _insert(connection, evaluation, text, digest)
    _link(connection, run, number)


def _link(connection: sqlite3.Connection, run: int, evaluation: int | None) -> None:
    connection.execute(
        "INSERT INTO evaluation_runs (run, position, evaluation)"
        " SELECT ?1, coalesce(max(position) + 1, 0), ?2 FROM evaluation_runs WHERE run = ?1"
        " HAVING NOT EXISTS (SELECT 1 FROM evaluation_runs WHERE run = ?1 AND evaluation = ?2)",
        (run, evaluation),
    )


def _insert(connection: sqlite3.Connection, evaluation: Evaluation, text: str, digest: bytes) -> int | None:
    return connection.execute(
        "INSERT INTO evaluations (name, kind, subject, utc, expires, body, hash) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (evaluation.name, evaluation.kind, evaluation.subject, evaluation.utc, evaluation.expires, text, digest),
    ).lastrowid


def instrument_of(subject: str) -> str | None:
    """The instrument in whose log an evaluation without runs is told of; None for the node's."""
    what, _, name = subject.partition("/")
    return name if what == "instrument" else None


def find(
    connection: sqlite3.Connection, kind: str | None, subject: str | None, run: str | None, limit: int, before: str
) -> list[EvaluationSummary]:
    """The newest evaluations, newest first, stored before `before` when that is given."""
    conditions, values = ["e.number < ?"], list[object]([number_of(connection, before) if before else MOST_INDEX])
    for column, value in (("kind", kind), ("subject", subject)):
        if value is not None:
            conditions.append(f"e.{column} = ?")
            values.append(value)
    if run is not None:
        conditions.append(
            "e.number IN (SELECT evaluation FROM evaluation_runs WHERE run = (SELECT number FROM runs WHERE run = ?))"
        )
        values.append(run)
    found = ask(
        connection,
        "SELECT e.number, e.name, e.kind, e.subject, e.utc, e.expires, length(CAST(e.body AS BLOB))"
        f" FROM evaluations e WHERE {' AND '.join(conditions)} ORDER BY e.number DESC LIMIT ?",
        *values,
        limit,
    )
    return [
        EvaluationSummary(name, kind, subject, _runs(connection, number), utc, expires, size)
        for number, name, kind, subject, utc, expires, size in found
    ]


def number_of(connection: sqlite3.Connection, name: str) -> int:
    found = ask(connection, "SELECT number FROM evaluations WHERE name = ?", name)
    if not found:
        raise NoSuchEvaluation(f"no evaluation {name} is stored")
    return int(found[0][0])


def text_of(connection: sqlite3.Connection, name: str) -> str:
    """The whole of an evaluation as it is stored and hashed: JSON."""
    ((text,),) = ask(connection, "SELECT body FROM evaluations WHERE number = ?", number_of(connection, name))
    return str(text)


def of_run(connection: sqlite3.Connection, number: int, first: int, limit: int) -> list[tuple[int, Evaluation]]:
    """(position, evaluation) of a run from position `first` on, in the order in which they were stored."""
    found = ask(
        connection,
        "SELECT r.position, e.body FROM evaluation_runs r JOIN evaluations e ON e.number = r.evaluation"
        " WHERE r.run = ? AND r.position >= ? ORDER BY r.position LIMIT ?",
        number,
        first,
        limit,
    )
    return [(position, Evaluation.model_validate_json(text)) for position, text in found]


def altered(connection: sqlite3.Connection, told: list[tuple[str, str]], number: int | None) -> list[str]:
    """What is wrong with the evaluations that events tell of, as (name, hash in hexadecimal).

    `number` is the run's; its list must then hold the same evaluations.
    """
    found = []
    for name, digest in told:
        row = ask(connection, "SELECT kind, subject, utc, expires, body, hash FROM evaluations WHERE name = ?", name)
        if not row:
            found.append(f"the evaluation {name} is missing")
            continue
        *columns, text, stored = row[0]
        if not chain.start(text) == stored == bytes.fromhex(digest):
            found.append(f"the evaluation {name} or its hash was altered")
            continue
        document = json.loads(text)
        if [document[key] for key in ("kind", "subject", "utc", "expires")] != columns:
            found.append(f"what the list of evaluations tells of {name} was altered")
    if number is not None:
        statement = (
            "SELECT e.name FROM evaluation_runs r LEFT JOIN evaluations e ON e.number = r.evaluation WHERE r.run = ?"
        )
        listed = {name for (name,) in ask(connection, statement, number)}
        if odd := sorted(str(name) for name in listed ^ {name for name, _ in told}):
            found.append(f"the list of the run's evaluations is wrong: {', '.join(odd)}")
    return found


def _runs(connection: sqlite3.Connection, number: int) -> tuple[str, ...]:
    statement = (
        "SELECT r.run FROM evaluation_runs e JOIN runs r ON r.number = e.run WHERE e.evaluation = ? ORDER BY r.number"
    )
    return tuple(str(run) for (run,) in ask(connection, statement, number))
