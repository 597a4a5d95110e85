"""Where the points of a run are in the database."""

import sqlite3
from collections.abc import Generator
from typing import Any

from luggin.daemon.store.coverage import Coverage
from luggin.daemon.store.errors import StoreFault
from luggin.daemon.store.schema import FIRST_BITS

MOST_INDEX = 1 << FIRST_BITS


def key(number: int, index: int) -> int:
    """The key of the batch of run `number` whose first point has this index."""
    return (number << FIRST_BITS) + index


def ask(connection: sqlite3.Connection, statement: str, *values: object) -> list[tuple[Any, ...]]:
    """All rows of a short read.  Raises StoreFault when the file can't be read."""
    try:
        return connection.execute(statement, values).fetchall()
    except sqlite3.Error as error:
        raise _unreadable(error) from error


def rows(
    connection: sqlite3.Connection, number: int, first: int, after: int, columns: str
) -> Generator[tuple[Any, ...], None, None]:
    """(first index, count, *columns) of the batches that have points in [first, after), in order.

    The read transaction ends with the iterator: use it up or close it.
    """
    low, base = key(number, first), key(number, 0)
    ((before,),) = ask(connection, "SELECT max(key) FROM batches WHERE key BETWEEN ? AND ?", base, low)
    cursor = connection.execute(
        f"SELECT key - ?, count{columns and ', ' + columns} FROM batches"
        " WHERE key >= ? AND key < ? AND key + count > ? ORDER BY key",
        (base, low if before is None else before, key(number, min(after, MOST_INDEX)), low),
    )
    try:
        yield from cursor
    except sqlite3.Error as error:
        raise _unreadable(error) from error
    finally:
        cursor.close()


def first_in(connection: sqlite3.Connection, number: int, first: int, after: int) -> int | None:
    """Index of the first stored point in [first, after)."""
    scan = rows(connection, number, first, after, "")
    row = next(scan, None)
    scan.close()
    return None if row is None else max(first, row[0])


def load_stored(connection: sqlite3.Connection, number: int) -> Coverage:
    """Which points of a run are stored."""
    newest = ask(
        connection,
        "SELECT key - ?, count FROM batches WHERE key BETWEEN ? AND ? ORDER BY key DESC LIMIT 1",
        key(number, 0),
        key(number, 0),
        key(number + 1, 0) - 1,
    )
    if not newest:
        return Coverage()
    holes = ask(connection, "SELECT first, after FROM holes WHERE run = ? ORDER BY first", number)
    return Coverage(sum(newest[0]), tuple((first, after) for first, after in holes))


def _unreadable(error: sqlite3.Error) -> StoreFault:
    return StoreFault(f"the store can't be read ({error}); check the disk or restore the store from a copy")


def run_scope(run: str) -> str:
    return f"run/{run}"


def log_scope(instrument: str | None) -> str:
    return "node" if instrument is None else f"instrument/{instrument}"
