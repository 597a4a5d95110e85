"""Columns of points as the numbers of a JSON document.

A float32 turned into a double prints as 0.10000000149011612.  Here it becomes the double whose shortest decimal
stands for the same float32: 0.1, at most nine digits, and reading it as float32 gives the measured bits again.  Whole
columns are rounded at once, since printing number by number would take most of a small computer's time.
"""

from typing import Any

import numpy as np

from luggin.protocol.points import Array, Batch

Numbers = list[float | int | None]

# A decimal of nine digits is exact in a double, and so is its scaling, while 10**k is: k up to 22.
_POWERS = 10.0 ** np.arange(23)
_SMALLEST, _LARGEST = 1e-14, 1e14


def numbers(column: Array) -> Numbers:
    """The column's values as Python numbers, None for NaN and infinities; shape (count,)."""
    if column.dtype.kind != "f":
        return list(column.tolist())
    with np.errstate(invalid="ignore"):  # some patterns of NaN are signalling ones
        values = column.astype(np.float64)
    finite = np.isfinite(values)
    if column.dtype.itemsize == 4:
        values = _shortest(column, values, finite)
    found: Numbers = values.tolist()
    if not finite.all():
        for index in np.flatnonzero(~finite):
            found[index] = None
    return found


def columns(batch: Batch) -> dict[str, Numbers]:
    return {name: numbers(column) for name, column in batch.columns.items()}


def _shortest(column: Array, exact: Array, finite: Array) -> Array:
    """For each float32 the double of the shortest decimal that rounds to it."""
    size = np.abs(exact)
    usual = (size >= _SMALLEST) & (size <= _LARGEST)
    exponent = np.floor(np.log10(np.where(usual, size, 1.0))).astype(np.intp)
    shortest = exact.copy()
    wanted = usual
    for digits in (9, 8, 7, 6):  # six always survive, trailing zeros of shorter ones are not printed
        rounded = _rounded(exact, digits - 1 - exponent)
        wanted = wanted & (rounded.astype(np.float32) == column)
        np.copyto(shortest, rounded, where=wanted)
        if not wanted.any():
            break
    for index in np.flatnonzero(finite & ~usual & (size > 0)):
        shortest[index] = float(str(column[index]))
    return shortest


def _rounded(values: Array, places: Array) -> Array:
    """`values` rounded to so many decimal places each, negative ones meaning tens."""
    up, down = _POWERS[np.clip(places, 0, 22)], _POWERS[np.clip(-places, 0, 22)]
    result: np.ndarray[Any, Any] = np.rint(values * up / down) * down / up
    return result
