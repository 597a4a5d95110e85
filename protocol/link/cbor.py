"""CBOR (RFC 8949) as far as the link uses it: definite lengths, no tag but the typed arrays of RFC 8746.

A general decoder gives meaning to dozens of tags (dates, big numbers, regular expressions, shared references).  None
has a place here, so the outline of the data is walked first and only what is plain, complete and shallow is decoded.
"""

from typing import Any

import cbor2

from luggin.protocol.link.kinds import MessageError

MOST_DEPTH = 12
TYPED_ARRAYS = range(64, 88)
_WHOLE, _NEGATIVE, _BYTES, _TEXT, _ARRAY, _MAP, _TAG, _SIMPLE = range(8)
_SIMPLE_KNOWN = {20, 21, 22, 25, 26, 27}  # false, true, null; half, single and double precision


def dump(value: object) -> bytes:
    """Encode plain data."""
    return cbor2.dumps(value)


def load(data: bytes, most_depth: int = MOST_DEPTH) -> Any:
    """Decode exactly one item that fills `data`.  Raises MessageError for anything malformed, and nothing else."""
    outline(data, most_depth)
    try:
        return cbor2.loads(data)
    except Exception as error:
        raise MessageError(f"not valid CBOR: {error}") from None


def outline(data: bytes, most_depth: int = MOST_DEPTH) -> None:
    """Raise MessageError unless `data` is one complete item, no deeper than `most_depth`, of the plain kinds."""
    position, end = 0, len(data)
    open_items = [1]  # how many items are still to come at each level
    while open_items:
        if open_items[-1] == 0:
            open_items.pop()
            continue
        open_items[-1] -= 1
        if position >= end:
            raise MessageError("not valid CBOR: the data end too early")
        head = data[position]
        major, value = head >> 5, head & 31
        position += 1
        if value >= 28:
            raise MessageError("not valid here: a CBOR item of indefinite length")
        if major == _SIMPLE and value not in _SIMPLE_KNOWN:
            raise MessageError(f"not valid here: CBOR simple value {value}")
        if value >= 24:
            size = 1 << (value - 24)
            value = int.from_bytes(data[position : position + size], "big")
            position += size
        if major in (_BYTES, _TEXT):
            position += value
        elif major == _ARRAY:
            open_items.append(value)
        elif major == _MAP:
            open_items.append(2 * value)
        elif major == _TAG:
            if value not in TYPED_ARRAYS:
                raise MessageError(f"not valid here: CBOR tag {value}")
            open_items.append(1)
        if len(open_items) > most_depth:
            raise MessageError(f"not valid here: CBOR nested deeper than {most_depth} levels")
    if position != end:
        raise MessageError(
            "not valid CBOR: " + ("more follows the item" if position < end else "the data end too early")
        )
