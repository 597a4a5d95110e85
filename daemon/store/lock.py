"""One daemon for each store: a lock that ends with the process, however it ends."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from luggin.daemon.store.errors import StoreFault, StoreInUse


@contextmanager
def exclusive(store: Path) -> Iterator[None]:
    """Hold the store's lock.  Raises StoreInUse, naming the process that has it.

    A file of its own: SQLite loses its own locks when this process closes another handle of the database.
    """
    path = Path(f"{store}.lock")
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise StoreFault(
            f"the store {store} can't be opened ({error.strerror}); check the folder's permissions"
        ) from None
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.read(handle, 20).decode("ascii", "replace").strip() or "unknown"
            raise StoreInUse(
                f"the store {store} is in use by another daemon (process {holder}); stop it or choose another store"
            ) from None
        with suppress(OSError):  # on a full disk nobody learns who has it; the lock holds all the same
            os.ftruncate(handle, 0)
            os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        yield
    finally:
        os.close(handle)
