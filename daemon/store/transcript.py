"""A run as another store holds it, written into a store: its texts and hashes are taken over, not made anew."""

import time
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from luggin.daemon.store import evaluations, schema
from luggin.daemon.store.ledger import Ledger
from luggin.daemon.store.locate import run_scope
from luggin.daemon.store.records import RunTexts
from luggin.protocol.payloads import Evaluation, RunHeader
from luggin.protocol.points import Batch


def transcribe(path: Path, texts: RunTexts, batches: Iterable[Batch], made_of_it: Iterable[Evaluation]) -> None:
    """Add a run to the store at `path`, which is made when it isn't there and which no daemon may have open.

    Nothing is checked: whether the copy is sound, `verify` says as it does of the original.
    """
    header = RunHeader.model_validate_json(texts.header)
    run = header.run
    with closing(schema.connect(path)) as connection:
        ledger = _Copy(connection, time.time)
        connection.execute("BEGIN IMMEDIATE")
        ledger.begin(header)
        connection.execute("UPDATE runs SET header = ?, hash = ? WHERE run = ?", (texts.header, texts.header_hash, run))
        ledger.store(run, batches)
        connection.executemany(
            "INSERT INTO events (scope, number, body, hash) VALUES (?, ?, ?, ?)",
            [(run_scope(run), number, text, digest) for number, text, digest in texts.events],
        )
        connection.execute(
            "INSERT INTO results (run, body, seal, events, hash) SELECT number, ?, ?, ?, ? FROM runs"
            " WHERE run = ? AND ? IS NOT NULL",
            (texts.result, texts.seal, texts.sealed_events, texts.result_hash, run, texts.result),
        )
        for each in made_of_it:
            evaluations.write(connection, each, lambda *_: None)
        connection.execute("COMMIT")


class _Copy(Ledger):
    """Stores points without telling of it: what happened to them is told by the events of the original."""

    def _note(self, run: str, kind: str, sentence: str, first: int, after: int) -> None:
        pass
