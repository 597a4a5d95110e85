"""A store whose disk can be told to be full or to fail its syncs, in a loop that waits for the store's threads."""

import asyncio
import sqlite3
from collections.abc import Callable
from functools import partial
from random import Random
from typing import Any, Literal, cast

from luggin.daemon.store import Store
from luggin.daemon.store.ledger import Ledger
from luggin.protocol.points import Batch
from support.swift_loop import SwiftLoop

COMMIT = 0.25
"""Seconds that points wait for their commit."""
Trouble = Literal["none", "full", "sync"]


class UnsoundStore(Store):
    """`trouble` is what is the matter with the disk; a failed sync may or may not have reached it."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._gathered: list[tuple[Batch, dict[str, Any], asyncio.Future[Any]]] = []
        self._alarm: asyncio.TimerHandle | None = None
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

    def _submit(self, work: Any, **options: Any) -> Any:
        """Points wait for a while, as they do until the writer's next commit; anything else takes them along."""
        loop = cast(SwiftLoop, asyncio.get_running_loop())
        if isinstance(work, Batch):
            promised: asyncio.Future[Any] = loop.create_future()
            if not self._gathered:
                self._alarm = loop.call_later(COMMIT, self._pass_on)
            self._gathered.append((work, options, promised))
            return promised
        self._pass_on()
        return self._waited_for(super()._submit(work, **options))

    def forget(self) -> None:
        """The machine stops here: what was not passed on never is."""
        self._gathered.clear()

    async def _close(self) -> None:
        self._pass_on()
        await super()._close()

    def _pass_on(self) -> None:
        if self._alarm is not None:
            self._alarm.cancel()
        gathered, self._gathered = self._gathered, []
        for work, options, promised in gathered:
            self._waited_for(super()._submit(work, **options)).add_done_callback(partial(_kept, promised))

    def _waited_for(self, future: "asyncio.Future[Any]") -> "asyncio.Future[Any]":
        if not future.done():
            cast(SwiftLoop, future.get_loop()).await_answer(future)
        return future


def _kept(promised: "asyncio.Future[Any]", future: "asyncio.Future[Any]") -> None:
    if promised.done():
        return
    if future.cancelled():
        promised.cancel()
    elif (error := future.exception()) is not None:
        promised.set_exception(error)
        promised.exception()
    else:
        promised.set_result(future.result())


def _error(words: str, code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError(words)
    error.sqlite_errorcode = code
    return error
