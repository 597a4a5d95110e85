"""The durable store: SQLite, one writer for all instruments, read by anyone at any time."""

from luggin.daemon.store.archive import Archive, open_store
from luggin.daemon.store.errors import (
    NoSuchEvaluation,
    NoSuchRun,
    StoreConflict,
    StoreError,
    StoreFault,
    StoreFull,
    StoreInUse,
    StoreVersion,
)
from luggin.daemon.store.integrity import altered_texts, verify, verify_log
from luggin.daemon.store.records import (
    Anchor,
    Deletion,
    EvaluationSummary,
    LogEntry,
    Outstanding,
    RunSummary,
    RunTexts,
    StoreState,
    Stream,
)
from luggin.daemon.store.search import Wanted
from luggin.daemon.store.store import Store

__all__ = [
    "Anchor",
    "Archive",
    "Deletion",
    "EvaluationSummary",
    "LogEntry",
    "NoSuchEvaluation",
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
    "Wanted",
    "altered_texts",
    "open_store",
    "verify",
    "verify_log",
]
