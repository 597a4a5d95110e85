"""What a message broker has taken of each run, and what is left to publish."""

import json
import sqlite3
import threading
from collections.abc import Collection, Mapping
from typing import get_args

from luggin.daemon.store import locate
from luggin.daemon.store.archive import Archive
from luggin.daemon.store.coverage import Coverage
from luggin.daemon.store.records import Outstanding, Stream
from luggin.protocol.points import Batch, join

STREAMS: tuple[Stream, ...] = get_args(Stream)
Taken = Mapping[Stream, Coverage]
_NOTHING = Coverage()


class Marks:
    """What the broker has taken and the database doesn't know yet; shared by the event loop and the writer's thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._fresh: dict[str, Taken] = {}
        self._under_way: dict[str, Taken] = {}

    def note(self, run: str, stream: Stream, first: int, after: int) -> None:
        with self._lock:
            before = self._fresh.get(run, {})
            self._fresh[run] = {**before, stream: before.get(stream, _NOTHING).add(first, after)}

    def take(self) -> dict[str, Taken]:
        """What is to be written now; it stays here until `settle` says that it is durable."""
        with self._lock:
            self._under_way, self._fresh = _merged(self._under_way, self._fresh), {}
            return dict(self._under_way)

    def settle(self) -> None:
        with self._lock:
            self._under_way = {}

    def all(self) -> dict[str, Taken]:
        with self._lock:
            return _merged(self._under_way, self._fresh)


def union(left: Taken, right: Taken) -> Taken:
    return {stream: left.get(stream, _NOTHING).union(right.get(stream, _NOTHING)) for stream in STREAMS}


def _merged(left: Mapping[str, Taken], right: Mapping[str, Taken]) -> dict[str, Taken]:
    return {run: union(left.get(run, {}), right.get(run, {})) for run in {**left, **right}}


def dump_taken(taken: Taken) -> str:
    return json.dumps({stream: [coverage.end, coverage.holes] for stream, coverage in taken.items()})


def load_taken(text: str) -> Taken:
    found = json.loads(text)
    return {
        stream: Coverage(found[stream][0], tuple((first, after) for first, after in found[stream][1]))
        for stream in STREAMS
        if stream in found
    }


def outstanding(
    connection: sqlite3.Connection, marks: Mapping[str, Taken], limit: int, ahead: Collection[str] = ()
) -> list[Outstanding]:
    """Runs with something unpublished, at most `limit`: unfinished ones and those named in `ahead` first, then the
    others, each in the order of their start.

    `marks` must have been taken before the call: what is published in between is then asked for twice, never missed.
    """
    found: list[Outstanding] = []
    cursor = connection.execute(
        "SELECT r.number, r.run, r.instrument, p.taken, s.run IS NOT NULL FROM publication p"
        " JOIN runs r ON r.number = p.run LEFT JOIN results s ON s.run = p.run"
        " WHERE p.drained = 0 AND p.run NOT IN (SELECT run FROM deleted)"
        " ORDER BY s.run IS NOT NULL AND r.run NOT IN (SELECT value FROM json_each(?)), p.run",
        (json.dumps(list(ahead)),),
    )
    for number, run, instrument, text, finished in cursor:
        taken = union(load_taken(text), marks.get(run, {}))
        one = _left(connection, number, run, instrument, bool(finished), taken)
        if _waits(one):
            found.append(one)
        if len(found) == limit:
            break
    cursor.close()
    return found


def unpublished_points(archive: Archive, marks: Mapping[str, Taken], run: str, limit: int) -> list[Batch]:
    """The run's first unpublished points, at most `limit`."""
    ((text,),) = locate.ask(archive.connection, "SELECT taken FROM publication WHERE run = ?", archive.number(run))
    taken = union(load_taken(text), marks.get(run, {}))
    return join(archive.batches(run, taken["points"].missing(0, locate.MOST_INDEX), limit))


def is_drained(connection: sqlite3.Connection, number: int, run: str, taken: Taken) -> bool:
    """Whether the run is finished and nothing of it is left to publish."""
    finished = bool(locate.ask(connection, "SELECT 1 FROM results WHERE run = ?", number))
    left = _left(connection, number, run, "", finished, taken)
    return finished and not _waits(left)


def _waits(one: Outstanding) -> bool:
    return one.header or one.result or any(each is not None for each in (one.points, one.events, one.evaluations))


def _left(
    connection: sqlite3.Connection, number: int, run: str, instrument: str, finished: bool, taken: Taken
) -> Outstanding:
    points = taken.get("points", _NOTHING)
    candidates = points.missing(0, locate.MOST_INDEX)
    indices = (locate.first_in(connection, number, first, after) for first, after in candidates)
    ((events,),) = locate.ask(
        connection, "SELECT coalesce(max(number) + 1, 0) FROM events WHERE scope = ?", locate.run_scope(run)
    )
    next_event = taken.get("events", _NOTHING).contiguous
    ((evaluations,),) = locate.ask(
        connection, "SELECT coalesce(max(position) + 1, 0) FROM evaluation_runs WHERE run = ?", number
    )
    next_evaluation = taken.get("evaluations", _NOTHING).contiguous
    return Outstanding(
        run=run,
        instrument=instrument,
        header=not taken.get("header", _NOTHING).end,
        points=next((index for index in indices if index is not None), None),
        events=next_event if next_event < events else None,
        result=finished and not taken.get("result", _NOTHING).end,
        finished=finished,
        stored=locate.load_stored(connection, number).end,
        evaluations=next_evaluation if next_evaluation < evaluations else None,
    )
