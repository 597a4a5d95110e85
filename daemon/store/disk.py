"""The writer's side of the disk: its connection, the reserve, and what an error says about both."""

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from luggin.daemon.store import schema
from luggin.daemon.store.errors import StoreFault, StoreFull
from luggin.daemon.store.ledger import Ledger
from luggin.daemon.store.space import Reserve, refused

_PROBE_BYTES = 65536
Answer = TypeVar("Answer")


class Disk:
    """A connection that is replaced after a fault, bounded in size, with a reserve.

    After a failed sync, and after a crash, the journal may show transactions that are not on the disk.  Nothing that
    trusts what is stored (a batch trimmed and then acknowledged) may happen before `settle` has copied them.
    """

    def __init__(self, path: Path, largest: int | None, reserve: int, utc: Callable[[], float]) -> None:
        self._path = path
        self._largest = largest
        self._reserve_size = reserve
        self._reserve = Reserve(path, reserve)
        self._utc = utc
        self._connection: sqlite3.Connection | None = None
        self._ledger: Ledger | None = None
        self._settled = False
        self._reserve_open = False

    def open(self) -> bool:
        """Connect and set the reserve aside; says whether there is room for points.

        Raises StoreVersion, StoreFault.
        """
        try:
            try:
                self._connect()
            except sqlite3.OperationalError:
                # Opening takes some room too.
                self._release()
                self._connect()
            return self.make_room()
        except (sqlite3.Error, OSError) as error:
            self.close()
            raise StoreFault(f"the store {self._path} can't be opened ({error}); check the disk") from None

    def close(self) -> None:
        if self._connection is not None:
            # Nothing more can be done with this connection, and nothing acknowledged depends on its end.
            with suppress(sqlite3.Error):
                self._connection.close()
        self._connection = self._ledger = None

    def transaction(self, work: Callable[[Ledger], Answer], *, trusting: bool) -> Answer:
        """Do `work` in one transaction, durable on return.  Raises whatever went wrong, with nothing changed.

        `trusting` says that the work relies on what is stored already.
        """
        ledger = self._connect()
        assert self._connection is not None
        if trusting and not self._settled:
            self._settle()
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            answer = work(ledger)
            self._connection.execute("COMMIT")
        except BaseException:
            ledger.forget()
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        return answer

    def explain(self, error: Exception) -> StoreFull | StoreFault:
        """Tell a full disk from a failing one, and get ready for the next attempt."""
        code = getattr(error, "sqlite_errorcode", None)
        full = code is not None and code & 0xFF == sqlite3.SQLITE_FULL
        if not full:
            self.close()
            self._settled = False
        # A limit or a quota is reported as a failed write.
        if full or (code == sqlite3.SQLITE_IOERR_WRITE and refused(self._path, _PROBE_BYTES)):
            self._release()
            return StoreFull(f"the disk or the store {self._path} is full; make room, points are not stored meanwhile")
        if isinstance(error, StoreFault):
            return error
        return StoreFault(f"the store {self._path} could not be written ({error}); check the disk")

    def make_room(self) -> bool:
        """Set the reserve aside again; says whether there is room for points beside it."""
        self._connect()
        if not self._below_largest() or not self._reserve.refill():
            self._release()
            return False
        self._reserve_open = False
        self._bound()
        return True

    def _connect(self) -> Ledger:
        if self._ledger is None:
            self._connection = schema.connect(self._path)
            self._ledger = Ledger(self._connection, self._utc)
            self._bound()
        return self._ledger

    def _settle(self) -> None:
        assert self._connection is not None
        # Passive: it neither waits for readers nor minds those that see the newest state.
        (_, frames, copied) = self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        if copied < frames:
            raise StoreFault(f"the store {self._path} is kept busy by a reader; end other programs that read it")
        self._settled = True

    def _release(self) -> None:
        self._reserve.free()
        self._reserve_open = True
        self._bound()

    def _bound(self) -> None:
        """Bring the connection's own limits in line with the reserve."""
        if self._connection is None:
            return
        # While closing events live on the reserve, no checkpoint may spend it on copying points out of the journal.
        self._connection.execute(f"PRAGMA wal_autocheckpoint={0 if self._reserve_open else schema.CHECKPOINT_PAGES}")
        if self._largest is not None:
            most = self._largest - (0 if self._reserve_open else self._reserve_size)
            self._connection.execute(f"PRAGMA max_page_count={max(most // self._pragma('page_size'), 1)}")

    def _below_largest(self) -> bool:
        if self._largest is None:
            return True
        # As much again as the reserve must be left, or the next batch would fill the store and the state would flutter.
        used = self._pragma("page_count") - self._pragma("freelist_count")
        return used * self._pragma("page_size") < self._largest - 2 * self._reserve_size

    def _pragma(self, name: str) -> int:
        assert self._connection is not None
        return int(self._connection.execute(f"PRAGMA {name}").fetchone()[0])
