"""Runs that are deleted, restored, and at last purged, within the writer's transactions.

A deleted run is all there, but left out of lists, publication and exports.  A purge takes it out of the file, slice by
slice, so that no transaction lasts long; one that was interrupted is gone on with by asking for it again.
"""

import sqlite3

from luggin.daemon.store.errors import NoSuchRun, StoreConflict
from luggin.daemon.store.locate import ask, key, run_scope

ROWS_AT_ONCE = 256


def delete(connection: sqlite3.Connection, run: str, utc: float, asked_by: str, reason: str) -> None:
    """Raises StoreConflict for a run that has not ended or is deleted already, NoSuchRun."""
    number = _number(connection, run)
    if not ask(connection, "SELECT 1 FROM results WHERE run = ?", number):
        raise StoreConflict(f"run {run} has not ended; it can be deleted once it has its result")
    if _purging(connection, number) is not None:
        raise StoreConflict(f"run {run} is deleted already")
    connection.execute(
        "INSERT INTO deleted (run, utc, asked_by, reason, purging) VALUES (?, ?, ?, ?, 0)",
        (number, utc, asked_by, reason),
    )
    connection.execute("DELETE FROM unevaluated WHERE run = ?", (number,))


def restore(connection: sqlite3.Connection, run: str) -> None:
    """Raises StoreConflict for a run that is not deleted or is being purged, NoSuchRun."""
    number = _number(connection, run)
    purging = _purging(connection, number)
    if purging is None:
        raise StoreConflict(f"run {run} is not deleted")
    if purging:
        raise StoreConflict(f"run {run} is being purged, a part of it is gone; it can't be restored")
    connection.execute("DELETE FROM deleted WHERE run = ?", (number,))


def begin_purge(connection: sqlite3.Connection, run: str) -> dict[str, str] | None:
    """The hashes of what is to go, hexadecimal; None where the purge was begun before.

    Raises StoreConflict for a run that is not deleted, NoSuchRun.
    """
    number = _number(connection, run)
    purging = _purging(connection, number)
    if purging is None:
        raise StoreConflict(f"run {run} is not deleted; delete it first, a purge is the second word")
    if purging:
        return None
    connection.execute("UPDATE deleted SET purging = 1 WHERE run = ?", (number,))
    newest = "SELECT hash FROM events WHERE scope = ? ORDER BY number DESC LIMIT 1"
    hashes = {
        "header": ask(connection, "SELECT hash FROM runs WHERE number = ?", number),
        "head": ask(connection, newest, run_scope(run)),
        "result": ask(connection, "SELECT hash FROM results WHERE run = ?", number),
    }
    return {name: found[0][0].hex() for name, found in hashes.items() if found}


def purge_some(connection: sqlite3.Connection, run: str) -> bool:
    """Take out a slice of the points or, once there are none, the rest; whether anything is left."""
    number = _number(connection, run)
    points = "SELECT key FROM batches WHERE key >= ? AND key < ? LIMIT ?"
    gone = connection.execute(
        f"DELETE FROM batches WHERE key IN ({points})", (key(number, 0), key(number + 1, 0), ROWS_AT_ONCE)
    )
    if gone.rowcount:
        return True
    alone = [
        each
        for (each,) in ask(
            connection,
            "SELECT evaluation FROM evaluation_runs GROUP BY evaluation HAVING count(*) = 1 AND max(run) = ?",
            number,
        )
    ]
    for table in ("evaluation_runs", "holes", "publication", "unevaluated", "results", "deleted"):
        connection.execute(f"DELETE FROM {table} WHERE run = ?", (number,))
    connection.executemany("DELETE FROM evaluations WHERE number = ?", [(each,) for each in alone])
    connection.execute("DELETE FROM events WHERE scope = ?", (run_scope(run),))
    connection.execute("DELETE FROM anchors WHERE run = ?", (run,))
    connection.execute("DELETE FROM runs WHERE number = ?", (number,))
    return False


def _number(connection: sqlite3.Connection, run: str) -> int:
    found = ask(connection, "SELECT number FROM runs WHERE run = ?", run)
    if not found:
        raise NoSuchRun(f"no run {run} is stored")
    return int(found[0][0])


def _purging(connection: sqlite3.Connection, number: int) -> bool | None:
    """Whether the run is being purged, None when it is not deleted."""
    found = ask(connection, "SELECT purging FROM deleted WHERE run = ?", number)
    return bool(found[0][0]) if found else None
