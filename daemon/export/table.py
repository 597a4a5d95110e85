"""Columns of points as CSV (RFC 4180) and back, to the last bit.

Each number is written with the fewest digits that read back as the same number, as double precision and after rounding
to the column's own precision.  NaN, a value that doesn't exist, is an empty cell; infinity is INF, as in Table Schema.
"""

import csv
import itertools
from collections.abc import Iterator, Mapping, Sequence
from typing import IO

import numpy as np

from luggin.protocol.points import Array

_ROWS_AT_ONCE = 8192


def heading(name: str, unit: str) -> str:
    """A column's heading: quantity / unit, as ISO 80000-1 and the IUPAC Green Book write it; counts have no unit."""
    return name if unit == "1" else f"{name} / {unit}"


def write(file: IO[str], headings: Sequence[str], columns: Mapping[str, Array]) -> None:
    """Write columns of the same length in their order."""
    writer = csv.writer(file)
    writer.writerow(headings)
    total = len(next(iter(columns.values())))
    for first in range(0, total, _ROWS_AT_ONCE):
        part = slice(first, first + _ROWS_AT_ONCE)
        writer.writerows(zip(*(texts(values[part]) for values in columns.values()), strict=True))


def texts(values: Array) -> list[str]:
    """Each value as text."""
    if values.dtype.kind != "f":
        return [str(value) for value in values.tolist()]
    if values.dtype.itemsize < 8:
        shown = [str(value) for value in values]
        # A reader rounds twice, to double precision and then to the column's: rarely that needs more digits.
        back = np.array([float(text) for text in shown]).astype(values.dtype)
        for index in np.flatnonzero((back != values) & ~np.isnan(values)):
            shown[index] = repr(float(values[index]))
    else:
        shown = [repr(value) for value in values.tolist()]
    for index in np.flatnonzero(~np.isfinite(values)):
        shown[index] = "" if np.isnan(values[index]) else "INF" if values[index] > 0 else "-INF"
    return shown


def unusual_nans(columns: Mapping[str, Array]) -> dict[str, list[list[int]]]:
    """Stretches [first row, row after, bits] of NaN in other bits than the usual ones, which an empty cell stands for.

    Processors make several; the hashes of points tell them apart.
    """
    found: dict[str, list[list[int]]] = {}
    for name, values in columns.items():
        if values.dtype.kind != "f":
            continue
        bits = values.view(_bits(values.dtype))
        odd = np.isnan(values) & (bits != np.array([np.nan], values.dtype).view(_bits(values.dtype)))
        marked = np.where(odd, bits, 0)
        edges = np.flatnonzero(np.diff(marked, prepend=marked.dtype.type(0), append=marked.dtype.type(0)))
        for first, after in itertools.pairwise(edges.tolist()):
            if marked[first]:
                found.setdefault(name, []).append([first, after, int(marked[first])])
    return found


def set_nans(columns: Mapping[str, Array], told: Mapping[str, Sequence[Sequence[int]]]) -> None:
    """Put `unusual_nans` back where they were.  Raises ValueError, KeyError where there is no NaN."""
    for name, stretches in told.items():
        values, done = columns[name], 0
        for first, after, bits in stretches:
            value = np.array([bits], _bits(values.dtype)).view(values.dtype)
            there = done <= first < after <= len(values) and np.isnan(values[first:after]).all()
            if not there or not np.isnan(value[0]):
                raise ValueError(f"there is no NaN in rows {first} to {after} of {name}")
            values[first:after], done = value, after


def _bits(form: np.dtype[np.generic]) -> np.dtype[np.generic]:
    return np.dtype(f"{form.str[0]}u{form.itemsize}")


def read(file: IO[str], forms: Mapping[str, str]) -> dict[str, Array]:
    """Columns under the headings of `forms`, each of its dtype.

    Raises ValueError for another heading, a ragged row or a cell that is no number.
    """
    rows = csv.reader(file)
    found = next(rows, [])
    if found != list(forms):
        raise ValueError(f"its heading is {found}, not {list(forms)}")
    parts: dict[str, list[Array]] = {name: [np.empty(0, form)] for name, form in forms.items()}
    for chunk in _chunks(rows, len(forms)):
        for (name, form), cells in zip(forms.items(), zip(*chunk, strict=True), strict=True):
            parts[name].append(_values(cells, np.dtype(form)))
    return {name: np.concatenate(parts[name]) for name in forms}


def _chunks(rows: Iterator[list[str]], width: int) -> Iterator[list[list[str]]]:
    chunk: list[list[str]] = []
    for number, row in enumerate(rows, 2):
        if len(row) != width:
            raise ValueError(f"row {number} has {len(row)} cells instead of {width}")
        chunk.append(row)
        if len(chunk) == _ROWS_AT_ONCE:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _values(cells: Sequence[str], form: np.dtype[np.generic]) -> Array:
    if form.kind == "f":
        return np.array([float(cell) if cell else np.nan for cell in cells]).astype(form)
    try:
        return np.array([int(cell) for cell in cells], form)
    except OverflowError as error:
        raise ValueError(str(error)) from None
