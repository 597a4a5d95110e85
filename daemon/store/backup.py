"""A consistent copy of a store while a daemon writes it: complete, checked and on the disk, or not there at all."""

import fcntl
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from luggin.daemon.store.errors import StoreError, StoreFault, StoreFull
from luggin.daemon.store.schema import connect_reading

_PAGES = 1000  # between two looks at whether to go on


def back_up(source: Path, target: Path, progress: Callable[[float], None] = lambda share: None) -> None:
    """Copy the store at `source` to the new file `target`; `progress` hears the share that is done, 0 to 1.

    The copy is made under another name beside `target` and gets its own name at the very end; whatever goes wrong or
    interrupts, an exception from `progress` too, leaves nothing behind.  Raises StoreError: StoreFull without room,
    StoreFault for a copy that is not sound.
    """
    if target.exists():
        raise StoreError(f"{target} is there already and is not overwritten; choose another name")
    with closing(connect_reading(source)) as reading, _beside(target) as part:
        _copy(reading, part, progress)
        _check(part)
        _sync(part)
        _name(part, target)


@contextmanager
def _beside(target: Path) -> Iterator[Path]:
    """A file of its own in the folder of `target`, gone afterwards; what a killed backup left is written over."""
    part = target.with_name(target.name + ".part")
    try:
        handle = os.open(part, os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise StoreError(f"{part} can't be made: {error.strerror}") from None
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise StoreError(f"another backup to {target} is under way") from None
        try:
            os.ftruncate(handle, 0)
            yield part
        finally:
            for each in (part, *(Path(f"{part}{suffix}") for suffix in ("-journal", "-wal", "-shm"))):
                each.unlink(missing_ok=True)
    finally:
        os.close(handle)


def _copy(reading: sqlite3.Connection, part: Path, progress: Callable[[float], None]) -> None:
    def note(_: int, left: int, total: int) -> None:
        progress(1.0 - left / total if total else 1.0)

    with closing(sqlite3.connect(part)) as writing:
        try:
            # One read transaction holds all pages still: else each commit of the daemon would begin the copy anew.
            reading.execute("BEGIN")
            reading.execute("SELECT count(*) FROM runs").fetchone()
            reading.backup(writing, pages=_PAGES, progress=note)
        except sqlite3.Error as error:
            if getattr(error, "sqlite_errorcode", None) in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_WRITE):
                raise StoreFull(f"{part.parent} has no room for the backup; nothing of it was left") from None
            raise StoreFault(f"the store could not be copied ({error}); check both disks") from None
        finally:
            with suppress(sqlite3.Error):
                reading.execute("ROLLBACK")


def _check(part: Path) -> None:
    """Read every page of the copy again."""
    with closing(connect_reading(part)) as copy:
        try:
            found = [sentence for (sentence,) in copy.execute("PRAGMA integrity_check(3)")]
        except sqlite3.Error as error:
            found = [str(error)]
    if found != ["ok"]:
        raise StoreFault(f"the copy is damaged ({'; '.join(found)}); check the store with luggin doctor, and the disks")


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        raise StoreFault(f"{path} could not be written to the disk ({error.strerror}); check the disk") from None
    finally:
        os.close(handle)


def _name(part: Path, target: Path) -> None:
    """Give the copy its name, which nobody may have taken meanwhile; works where there are no hard links too."""
    try:
        os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    except FileExistsError:
        raise StoreError(f"{target} is there already and is not overwritten; choose another name") from None
    except OSError as error:
        raise StoreFault(f"{target} can't be made: {error.strerror}") from None
    try:
        part.replace(target)
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    _sync(target.parent)
