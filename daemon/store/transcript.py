"""A run as another store holds it, written into a store: its texts and hashes are taken over, not made anew."""

import time
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from luggin.daemon.store import evaluations, schema
from luggin.daemon.store.ledger import Ledger
from luggin.daemon.store.locate import ask, run_scope
from luggin.daemon.store.records import Anchor, RunTexts
from luggin.protocol.payloads import RunHeader
from luggin.protocol.points import Batch


def transcribe(
    path: Path, texts: RunTexts, batches: Iterable[Batch], made: Iterable[str], anchors: Iterable[Anchor] = ()
) -> None:
    """Add a run to the store at `path`, which is made when it isn't there and which no daemon may have open.

    `made` are the texts of the evaluations that its events tell of, in their order.  Nothing is checked: whether the
    copy is sound, `verify` says as it does of the original.
    """
    header = RunHeader.model_validate_json(texts.header)
    run = header.run
    with closing(schema.connect(path)) as connection:
        ledger = Ledger(connection, time.time)
        connection.execute("BEGIN IMMEDIATE")
        ledger.begin(header)
        connection.execute("UPDATE runs SET header = ?, hash = ? WHERE run = ?", (texts.header, texts.header_hash, run))
        ledger.store(run, batches, telling=False)
        connection.executemany(
            "INSERT INTO events (scope, number, body, hash) VALUES (?, ?, ?, ?)",
            [(run_scope(run), number, text, digest) for number, text, digest in texts.events],
        )
        ((number,),) = ask(connection, "SELECT number FROM runs WHERE run = ?", run)
        if texts.result is not None:
            connection.execute(
                "INSERT INTO results (run, body, seal, events, hash) VALUES (?, ?, ?, ?, ?)",
                (number, texts.result, texts.seal, texts.sealed_events, texts.result_hash),
            )
        for text in made:
            evaluations.attach(connection, text, number)
        for anchor in anchors:
            ledger.anchor(anchor)
        connection.execute("COMMIT")
