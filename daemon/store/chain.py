"""The hash chain that ties a run's events together, and the canonical text that is hashed.  Pure.

The hash of an event is SHA-256 over the 32 bytes of the hash before it, followed by the UTF-8 text of the event.  The
text is JSON with sorted keys, no spaces and the shortest decimal form of each number that reads back the same, so it
can be made again from its decoded content.  The chain of a run starts from the SHA-256 of the text of its header, that
of a log from the SHA-256 of the log's name.
"""

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from enum import Enum
from typing import Any

import numpy as np


def canonical(document: object) -> str:
    """The one text of a document.  Total: what JSON can't say becomes null (no finite number) or text."""
    return json.dumps(plain(document), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def plain(value: object) -> Any:
    """Nested data of None, bool, int, float, str, list and dict alone."""
    match value:
        case Enum():
            return plain(value.value)
        case None | bool() | int():
            return value
        case float():
            return value if math.isfinite(value) else None
        case str():
            return value.encode("utf-8", "replace").decode()
        case Mapping():
            return {plain(str(key)): plain(each) for key, each in value.items()}
        case np.generic() | np.ndarray():
            return plain(value.tolist())
        case list() | tuple() | set() | frozenset():
            return [plain(each) for each in value]
        case bytes():
            return value.hex()
        case _:
            return plain(str(value))


def event_text(scope: str, number: int, kind: str, sentence: str, data: object, utc: float) -> str:
    """The text of an event that is hashed."""
    fields = {"scope": scope, "number": number, "kind": kind, "sentence": sentence, "data": data, "utc": utc}
    return canonical(fields)


def start(text: str) -> bytes:
    """The hash before the first event."""
    return hashlib.sha256(text.encode()).digest()


def link(previous: bytes, text: str) -> bytes:
    return hashlib.sha256(previous + text.encode()).digest()


def broken(head: bytes, entries: Iterable[tuple[int, str, bytes]]) -> str | None:
    """Follow a chain of (number, text, hash) from `head`; a sentence about the first entry that doesn't fit."""
    for expected, (number, text, digest) in enumerate(entries):
        if number != expected:
            return f"event {expected} is missing"
        if link(head, text) != digest:
            return f"event {number} or its hash was altered"
        head = digest
    return None
