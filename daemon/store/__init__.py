"""The durable store: SQLite, one writer for all instruments, read by anyone at any time."""

from luggin.daemon.store.archive import Archive, open_store
from luggin.daemon.store.errors import (
    NoSuchRun,
    StoreConflict,
    StoreError,
    StoreFault,
    StoreFull,
    StoreInUse,
    StoreVersion,
)
from luggin.daemon.store.integrity import altered_texts, verify
from luggin.daemon.store.records import Anchor, LogEntry, Outstanding, RunSummary, RunTexts, StoreState, Stream
from luggin.daemon.store.store import Store

__all__ = [
    "Anchor",
    "Archive",
    "LogEntry",
    "NoSuchRun",
    "Outstanding",
    "RunSummary",
    "RunTexts",
    "Store",
    "StoreConflict",
    "StoreError",
    "StoreFault",
    "StoreFull",
    "StoreInUse",
    "StoreState",
    "StoreVersion",
    "Stream",
    "altered_texts",
    "open_store",
    "verify",
]
