"""Columns of points to bytes and back, simple enough to be read without this program.

The data of a batch are the columns' values one column after the other, each value in the column's own binary form.
Which columns, in which order and form, says the batch's layout, a text such as `time:<f8 potential:<f4 flags:<u2`:
names and types with a blank between.  `<` is little-endian, `>` big-endian, `|` a single byte; then `f` IEEE 754
floating point, `i` signed, `u` unsigned integer; then the number of bytes.  When `packed` is 1 the whole is compressed
with zlib (RFC 1950).  `crc` is the CRC-32 (as in zlib) of the data as they are stored.
"""

import zlib
from collections.abc import Mapping

import numpy as np

from luggin.daemon.store.errors import StoreFault
from luggin.protocol.points import Array

_WORTH_PACKING = 256


def layout_of(columns: Mapping[str, Array]) -> str:
    """Raises ValueError for a column that isn't made of numbers."""
    for name, array in columns.items():
        if array.dtype.kind not in "fiu":
            raise ValueError(f"column {name} is of type {array.dtype}; only real numbers can be stored")
    return " ".join(f"{name}:{array.dtype.str}" for name, array in columns.items())


def forms(layout: str) -> dict[str, np.dtype[np.generic]]:
    pairs = (entry.split(":") for entry in layout.split(" "))
    return {name: np.dtype(form) for name, form in pairs}


def encode(columns: Mapping[str, Array]) -> tuple[bytes, bool]:
    """The data of a batch and whether they are packed."""
    data = b"".join(np.ascontiguousarray(array).tobytes() for array in columns.values())
    if len(data) >= _WORTH_PACKING:
        packed = zlib.compress(data, 1)
        if len(packed) < 0.9 * len(data):
            return packed, True
    return data, False


def checksum(data: bytes) -> int:
    return zlib.crc32(data)


def decode(layout: str, count: int, packed: bool, data: bytes, crc: int) -> dict[str, Array]:
    """Read-only arrays of shape (count,).  Raises StoreFault when the data are damaged."""
    if zlib.crc32(data) != crc:
        raise StoreFault("a stored batch is damaged: its checksum doesn't match; restore the store from a copy")
    raw = zlib.decompress(data) if packed else data
    columns, offset = {}, 0
    for name, form in forms(layout).items():
        columns[name] = np.frombuffer(raw, form, count, offset)
        offset += count * form.itemsize
    return columns
