"""Whether a run is still as it was stored: its chain of events, its result, and the seal on its points."""

import json
from collections.abc import Iterable, Iterator
from typing import Any

from luggin.daemon.store import chain, evaluations
from luggin.daemon.store.archive import Archive
from luggin.daemon.store.coverage import Coverage
from luggin.daemon.store.errors import StoreFault
from luggin.daemon.store.locate import MOST_INDEX, ask, load_stored, log_scope, rows
from luggin.daemon.store.records import RunTexts


def verify(archive: Archive, run: str) -> list[str]:
    """One sentence for each thing found wrong, none for a sound run.

    A chain shows what was changed after it was written; it can't show that somebody wrote a whole new one, so keep the
    newest hash (it is exported with the run) in another place where that matters.
    """
    texts = archive.texts(run)
    found = altered_texts(texts)
    # A seal that is itself in doubt proves nothing.
    seal = None if texts.seal is None or any("result" in sentence for sentence in found) else json.loads(texts.seal)
    return [*found, *_evaluations(archive, archive.number(run), texts.events), *_points(archive, run, seal)]


def verify_log(archive: Archive, instrument: str | None) -> list[str]:
    """The same for the log of an instrument, or of the node, and the evaluations that it tells of."""
    scope = log_scope(instrument)
    statement = "SELECT number, body, hash FROM events WHERE scope = ? ORDER BY number"
    entries = tuple((n, text, digest) for n, text, digest in ask(archive.connection, statement, scope))
    broken = chain.broken(chain.start(scope), entries)
    return [*([] if broken is None else [broken]), *_evaluations(archive, None, entries)]


def _evaluations(archive: Archive, run: int | None, events: Iterable[tuple[int, str, bytes]]) -> list[str]:
    told = [json.loads(text) for _, text, _ in events if evaluations.EVALUATED in text]
    named = [(e["data"]["name"], e["data"]["hash"]) for e in told if e["kind"] == evaluations.EVALUATED]
    return evaluations.altered(archive.connection, named, run)


def altered_texts(texts: RunTexts) -> list[str]:
    """What is wrong with the header, the chain of events and the result."""
    found = []
    if chain.start(texts.header) != texts.header_hash:
        found.append("the header or its hash was altered")
    sentence = chain.broken(texts.header_hash, texts.events)
    if sentence is not None:
        found.append(sentence)
    if texts.result is None or texts.seal is None:
        return found
    lacking = texts.sealed_events - len(texts.events)
    if lacking > 0:
        return [*found, f"of the events that the result covers, {lacking} are missing"]
    head = texts.events[texts.sealed_events - 1][2] if texts.sealed_events else texts.header_hash
    if chain.link(head, texts.result + texts.seal) != texts.result_hash:
        found.append("the result, its seal or its hash was altered")
    return found


def _points(archive: Archive, run: str, seal: dict[str, Any] | None) -> Iterator[str]:
    number = archive.number(run)
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
