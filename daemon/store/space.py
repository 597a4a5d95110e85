"""Room on the disk: how much a run may need, how much there is, and the reserve for closing events."""

import os
from collections.abc import Iterable
from pathlib import Path

from luggin.daemon.store.archive import Archive
from luggin.daemon.store.errors import StoreFull
from luggin.daemon.store.schema import JOURNAL_LIMIT
from luggin.protocol.payloads import RunHeader
from luggin.protocol.points import COLUMNS

_ROW_BYTES = 32
_BLOCK = 65536


def bytes_for(points: int, columns: Iterable[str]) -> int:
    """Upper bound of what the points take up in the database.

    Each value counts twice, for the unused parts of pages, and each point carries the head of a row, for slow runs
    whose batches hold one point.
    """
    width = sum(int(COLUMNS[name].dtype[2:]) for name in columns if name in COLUMNS)
    return points * (2 * width + _ROW_BYTES)


def most_points(header: RunHeader) -> int:
    """Upper bound of the points of a run, those of an operator's hold included; 0 where its header does not say."""
    return int(header.bounds.get("points", 0)) + int(header.bounds.get("held_points", 0))


def promised(archive: Archive) -> int:
    """Bytes that unfinished runs may still need."""
    total = 0
    for run in archive.unfinished():
        header = archive.header(run)
        left = most_points(header) - archive.stored_after(run)
        total += bytes_for(max(left, 0), header.columns)
    return total


def room(path: Path, archive: Archive, reserve: int, largest: int | None) -> int:
    """Bytes that the database can still take, purged ones included, the reserve and the journal kept aside."""
    pages, unused, size = (
        archive.connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    there = os.statvfs(path.parent)
    free = there.f_bavail * there.f_frsize - JOURNAL_LIMIT
    if largest is not None:
        free = min(free, largest - reserve - pages * size)
    return int(free + unused * size)


def check(path: Path, archive: Archive, points: int, columns: Iterable[str], reserve: int, largest: int | None) -> None:
    """Raise StoreFull unless `points` more points of these columns fit beside what unfinished runs may need."""
    needed, others = bytes_for(points, columns), promised(archive)
    free = room(path, archive, reserve, largest)
    if needed + others > free:
        beside = f" beside {_shown(others)} that unfinished runs may need" if others else ""
        raise StoreFull(
            f"{points} points may take {_shown(needed)}{beside}, but the store in {path.parent} has room for"
            f" {_shown(max(free, 0))}; make room or shorten the run"
        )


class Reserve:
    """A file that holds disk space which is given back when the disk is full, so that runs can still be closed."""

    def __init__(self, store: Path, size: int) -> None:
        self._path = Path(f"{store}.reserve")
        self._size = size

    @property
    def _filled(self) -> bool:
        return self._path.exists() and self._path.stat().st_size == self._size

    def free(self) -> None:
        self._path.unlink(missing_ok=True)

    def refill(self) -> bool:
        """Make the file as large as it should be when that leaves as much again for points; says whether it did."""
        there = os.statvfs(self._path.parent)
        free = there.f_bavail * there.f_frsize
        if self._filled:
            return free >= self._size
        if free < 2 * self._size:
            return False
        try:
            with self._path.open("wb") as file:
                for written in range(0, self._size, _BLOCK):
                    # Noise, because zeros take no room on a compressing file system.
                    file.write(os.urandom(min(_BLOCK, self._size - written)))
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            self.free()
            return False
        return True


def refused(path: Path, size: int) -> bool:
    """Whether the file system has no room for `size` more bytes, by limit, by quota or by being full."""
    probe = Path(f"{path}.probe")
    largest = max((each.stat().st_size for each in (path, Path(f"{path}-wal")) if each.exists()), default=0)
    try:
        with probe.open("wb") as file:
            file.seek(largest)
            file.write(bytes(size))
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        return True
    finally:
        probe.unlink(missing_ok=True)
    return False


def _shown(size: int) -> str:
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000:
            return f"{size} {unit}"
        size = (size + 999) // 1000
    return f"{size} TB"
