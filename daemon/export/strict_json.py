"""JSON of packages, which may come from anybody."""

import json
from collections.abc import Iterable
from typing import Any, NoReturn

MOST_BYTES = 64 * 1024 * 1024
"""Of one document; what is exported stays below it, so that it can be read everywhere."""


MOST_DEPTH = 100


def loads(raw: bytes) -> Any:
    """Raises ValueError, also for NaN and infinities, which are no JSON, and for nesting beyond MOST_DEPTH."""
    try:
        document = json.loads(raw, parse_constant=_no_number)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    level = [document]
    for _ in range(MOST_DEPTH):
        level = [inner for each in level for inner in _inside(each)]
    if level:
        raise ValueError("it is nested too deeply")
    return document


def _inside(value: Any) -> Iterable[Any]:
    return value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no JSON")
