"""A store whose disk can be told to be full or to fail its syncs, in a loop that waits for the store's threads."""

import sqlite3
from collections.abc import Callable
from random import Random
from typing import Any, Literal, cast

from luggin.daemon.store import Store
from luggin.daemon.store.ledger import Ledger
from support.swift_loop import SwiftLoop

Trouble = Literal["none", "full", "sync"]


class UnsoundStore(Store):
    """`trouble` is what is the matter with the disk; a failed sync may or may not have reached it."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.trouble: Trouble = "none"
        self.random = Random(1)
        disk = self._disk
        transaction, make_room = disk.transaction, disk.make_room

        def troubled(work: Callable[[Ledger], Any], *, trusting: bool) -> Any:
            if self.trouble == "full" and (trusting or not disk._reserve_open):
                raise _error("database or disk is full", sqlite3.SQLITE_FULL)
            if self.trouble == "sync":
                if self.random.random() < 0.5:
                    transaction(work, trusting=trusting)
                raise _error("disk I/O error", sqlite3.SQLITE_IOERR_FSYNC)
            return transaction(work, trusting=trusting)

        disk.transaction = troubled  # type: ignore[method-assign]
        disk.make_room = lambda: self.trouble != "full" and make_room()  # type: ignore[method-assign]

    def _submit(self, *args: Any, **options: Any) -> Any:
        future = super()._submit(*args, **options)
        loop = future.get_loop()
        if not future.done():
            cast(SwiftLoop, loop).await_answer(future)
        return future


def _error(words: str, code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError(words)
    error.sqlite_errorcode = code
    return error
