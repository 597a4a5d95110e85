"""Whether a run is still as it was stored: its chain of events, its result, and the seal on its points."""

import json
from collections.abc import Iterator
from typing import Any

from luggin.daemon.store import chain
from luggin.daemon.store.archive import Archive
from luggin.daemon.store.coverage import Coverage
from luggin.daemon.store.errors import StoreFault
from luggin.daemon.store.locate import MOST_INDEX, ask, load_stored, rows, run_scope


def verify(archive: Archive, run: str) -> list[str]:
    """One sentence for each thing found wrong, none for a sound run.

    A chain shows what was changed after it was written; it can't show that somebody wrote a whole new one, so keep the
    newest hash (it is exported with the run) in another place where that matters.
    """
    number, connection, scope = archive.number(run), archive.connection, run_scope(run)
    found = []
    ((header, digest),) = ask(connection, "SELECT header, hash FROM runs WHERE number = ?", number)
    if chain.start(header) != digest:
        found.append("the header or its hash was altered")
    entries = ask(connection, "SELECT number, body, hash FROM events WHERE scope = ? ORDER BY number", scope)
    sentence = chain.broken(digest, [(each, body, link) for each, body, link in entries])
    if sentence is not None:
        found.append(sentence)
    seal = None
    for body, sealed, count, link in ask(
        connection, "SELECT body, seal, events, hash FROM results WHERE run = ?", number
    ):
        if count > len(entries):
            found.append(f"{count - len(entries)} of the {count} events that the run had at its end are missing")
        elif chain.link(entries[count - 1][2] if count else digest, body + sealed) != link:
            found.append("the result, its seal or its hash was altered")
        else:
            seal = json.loads(sealed)
    return [*found, *_points(archive, run, number, seal)]


def _points(archive: Archive, run: str, number: int, seal: dict[str, Any] | None) -> Iterator[str]:
    stored, there = load_stored(archive.connection, number), Coverage()
    for first, count in rows(archive.connection, number, 0, MOST_INDEX, ""):
        if there.missing(first, first + count) != [(first, first + count)]:
            yield f"point {first} is stored twice"
        there = there.add(first, first + count)
    if there != stored:
        yield f"the list of missing points is wrong: {list(stored.holes)} instead of {list(there.holes)}"
    spans = list(there.spans()) if seal is None else [(first, after) for first, after in seal["spans"]]
    try:
        digests = archive.digests(run, spans)
    except StoreFault as damage:
        yield str(damage)
        return
    if seal is not None:
        altered = [name for name in {**seal["columns"], **digests} if seal["columns"].get(name) != digests.get(name)]
        if altered:
            yield f"stored points were altered since the end of the run, in {', '.join(altered)}"
