"""Columns on the line: a batch of points as RFC 8746 typed arrays, or as one value where a column is constant."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from cbor2 import CBORTag

from luggin.protocol.link.kinds import LARGEST_COUNT, MessageError, whole
from luggin.protocol.points import COLUMNS, Array

MOST_POINTS = 512
"""Points in one message; a frame of points that vary at all holds fewer."""

# Fixed for ever: a column keeps its number, a new column takes a new one.
COLUMN_NUMBERS: Mapping[str, int] = {
    "phase": 1,
    "cycle": 2,
    "channel": 3,
    "applied_potential": 4,
    "potential": 5,
    "current": 6,
    "current_range": 7,
    "cell_voltage": 8,
    "charge": 9,
    "forward_current": 10,
    "reverse_current": 11,
    "current_minimum": 12,
    "current_maximum": 13,
    "frequency": 14,
    "impedance_real": 15,
    "impedance_imaginary": 16,
    "rotation_rate": 17,
    "temperature": 18,
    "auxiliary_1": 19,
    "auxiliary_2": 20,
    "flags": 21,
}
"""`time` has its own place in the message and therefore no number."""
TYPED_ARRAY_TAGS: Mapping[str, int] = {"<u1": 64, "<u2": 69, "<u4": 70, "<f4": 85, "<f8": 86}

_DTYPES = {name: np.dtype(column.dtype) for name, column in COLUMNS.items()}
_TAGS = {name: TYPED_ARRAY_TAGS[column.dtype] for name, column in COLUMNS.items()}
_NAMES = {number: name for name, number in COLUMN_NUMBERS.items()}
_LARGEST = {name: float(np.finfo(dtype).max) for name, dtype in _DTYPES.items() if dtype.kind == "f"}
_STEPS = np.arange(MOST_POINTS, dtype=np.float64)
_HEAD = 6  # bytes of a varying column's number, tag and length


@dataclass(frozen=True)
class Even:
    """Evenly spaced times: point k of a batch is at `base + step * (number + k)` seconds.

    Both ends compute in double precision, product and sum each rounded (no fused multiply-add), so the times are equal
    to the last bit wherever a batch is cut: another cut changes `number` alone.
    """

    base: float
    step: float
    number: int

    def times(self, count: int) -> Array:
        return self.base + self.step * (self.number + _STEPS[:count])

    def later(self, points: int) -> "Even":
        """The same times for a batch that begins `points` later."""
        return Even(self.base, self.step, self.number + points)


def write_time(time: Array, even: Even | None) -> Any:
    """`even` when it reproduces `time` exactly (ValueError when it does not), else the times themselves."""
    if even is None:
        return CBORTag(_TAGS["time"], time.astype(_DTYPES["time"], copy=False).tobytes())
    if not np.array_equal(even.times(len(time)), time):
        raise ValueError(f"these times are not {even}")
    return [even.base, even.step, even.number]


def read_time(value: object, count: int) -> tuple[Array, Even | None]:
    if type(value) is not list:
        return _read_column("time", value, count), None
    if len(value) != 3 or not all(type(part) is float and math.isfinite(part) for part in value[:2]):
        raise MessageError("time: expected base and step as finite floating-point numbers and a whole number")
    even = Even(value[0], value[1], whole(0, LARGEST_COUNT - MOST_POINTS).read(value[2]))
    with np.errstate(over="ignore"):
        time = even.times(count)
    if not math.isfinite(time[-1]):
        raise MessageError("time: beyond the range of double precision")
    return time, even


def write_columns(columns: Mapping[str, Array]) -> dict[int, Any]:
    return {COLUMN_NUMBERS[name]: _write_column(name, column) for name, column in columns.items() if name != "time"}


def read_columns(value: object, count: int) -> dict[str, Array]:
    if type(value) is not dict:
        raise MessageError("columns: expected a map of column numbers")
    columns = {}
    for number, column in value.items():
        if type(number) is not int or number not in _NAMES:
            raise MessageError(f"columns: {repr(number)[:40]} is not the number of a column")
        columns[_NAMES[number]] = _read_column(_NAMES[number], column, count)
    return columns


def fitting(columns: Mapping[str, Array], even: Even | None, room: int) -> int:
    """How many of the first points surely fit in `room` bytes of time and columns; at least 1, at most MOST_POINTS."""
    count = min(MOST_POINTS, len(next(iter(columns.values()))))
    left, per_point = room, 0
    for name, column in columns.items():
        size = _DTYPES[name].itemsize
        if name == "time" and even is not None:
            left -= 1 + 3 * 9
        elif name == "time" or not _constant(column[:count]):
            left -= _HEAD
            per_point += size
        else:
            left -= 1 + (9 if _DTYPES[name].kind == "f" else 1 + size)
    return max(1, min(count, left // per_point if per_point else count))


def _constant(column: Array) -> bool:
    return len(column) > 1 and column.tobytes() == column[:1].tobytes() * len(column)


def _write_column(name: str, column: Array) -> Any:
    exact = column.astype(_DTYPES[name], copy=False)
    return exact[0].item() if _constant(exact) else CBORTag(_TAGS[name], exact.tobytes())


def _read_column(name: str, value: object, count: int) -> Array:
    dtype = _DTYPES[name]
    if type(value) is CBORTag:
        if value.tag != _TAGS[name] or type(value.value) is not bytes or len(value.value) != count * dtype.itemsize:
            raise MessageError(f"{name}: expected a typed array with tag {_TAGS[name]} and {count} elements")
        return np.frombuffer(value.value, dtype)
    if dtype.kind == "f":
        if type(value) is not float:
            raise MessageError(f"{name}: expected a typed array or a floating-point number")
        if math.isfinite(value) and abs(value) > _LARGEST[name]:
            raise MessageError(f"{name}: {value} is beyond the range of {dtype.str}")
        return np.full(count, value, dtype)
    if type(value) is not int or not 0 <= value <= np.iinfo(dtype).max:
        raise MessageError(f"{name}: expected a typed array or a whole number that fits {dtype.str}")
    return np.full(count, value, dtype)
