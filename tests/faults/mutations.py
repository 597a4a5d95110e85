"""Valid documents made wrong in their structure, so that what is tried gets past the first checks."""

import copy
from typing import Any

from hypothesis import strategies as st

Change = tuple[str, int, int, Any]
_NUMBERS = [
    0,
    1,
    -1,
    2**31,
    2**63,
    2**64,
    -(2**70),
    10**400,
    0.0,
    -0.0,
    1e-320,
    1e308,
    -1e308,
    float("nan"),
    float("inf"),
]
_TEXTS = [
    "",
    " ",
    "0",
    "1 V",
    "-1e999 V",
    "1e400 s",
    "100 mV/s",
    "nan",
    "1 V V",
    "ü" * 70,
    "x" * 5000,
    "a/b",
    "\0",
    "../x",
    "$",
    "\ud800",
]
_OTHERS: list[Any] = [None, True, False, [], {}, [[]], [{}], {"": 0}, [None] * 300, b"", b"\0" * 600]
VALUES = st.one_of(
    st.sampled_from(_NUMBERS),
    st.sampled_from(_TEXTS),
    st.sampled_from(_OTHERS),
    st.integers(),
    st.floats(),
    st.text(max_size=12),
    st.binary(max_size=12),
)
_WAYS = ("put", "put", "put", "drop", "rename", "move", "twice", "deepen", "scale")
CHANGES = st.lists(
    st.tuples(st.sampled_from(_WAYS), st.integers(0, 400), st.integers(0, 400), VALUES), min_size=1, max_size=4
)


def changed(document: Any, changes: list[Change]) -> Any:
    """A copy of nested data with these changes; places are counted round and round."""
    whole = [copy.deepcopy(document)]
    for way, place, other, value in changes:
        places = _places(whole)
        holder, key = places[place % len(places)]
        match way:
            case "put":
                holder[key] = copy.deepcopy(value)
            case "drop":
                del holder[key]
                if not whole:
                    whole.append(None)
            case "rename" if isinstance(holder, dict):
                holder[value if isinstance(value, str) else f"{key}{other}"] = holder.pop(key)
            case "move":
                source, name = places[other % len(places)]
                holder[key] = copy.deepcopy(source[name])
            case "twice" if isinstance(holder, list) and holder is not whole:
                holder.insert(key, copy.deepcopy(holder[key]))
            case "deepen":
                for _ in range(other % 20):
                    holder[key] = [holder[key]] if other % 2 else {"x": holder[key]}
            case "scale" if isinstance(holder[key], int | float):
                holder[key] = holder[key] * (other - 200)
    return whole[0]


def _places(whole: list[Any]) -> list[tuple[Any, Any]]:
    """Every (container, key) of nested data, the whole first."""
    found: list[tuple[Any, Any]] = []
    waiting: list[Any] = [whole]
    while waiting:
        holder = waiting.pop()
        keys = list(holder) if isinstance(holder, dict) else range(len(holder))
        for key in keys:
            found.append((holder, key))
            if isinstance(holder[key], dict | list):
                waiting.append(holder[key])
    return found
