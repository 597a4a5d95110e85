"""Long curves with as few points as draw the same picture."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ACROSS = 1500
DOWN = 1000
"""Cells of a picture across and down: as fine as print shows them on a page."""


def decimated(x: Floats, y: Floats, across: int = ACROSS, down: int = DOWN) -> tuple[Floats, Floats]:
    """The points of a line, (n,) each, that can be seen in a picture of so many columns and rows; NaN interrupts it.

    Of each stretch of points that follow one another within a column the first, smallest, largest and last are kept.
    Strokes between the same two cells of the picture, as later cycles repeat them, are drawn once.
    """
    if len(x) <= 4 * across:
        return x, y
    finite = np.isfinite(x) & np.isfinite(y)
    if not finite.any():
        return x[:1], y[:1]
    keep = _extremes(_cells(x, finite, across), np.where(finite, y, np.nan), finite)
    x, y, finite = x[keep], y[keep], finite[keep]
    once = _once(x, y, _cells(x, finite, across) * down + _cells(y, finite, down), finite)
    return once if len(once[0]) < len(x) else (x, y)


def _cells(values: Floats, finite: NDArray[np.bool_], count: int) -> NDArray[np.int64]:
    """The cell of each value, counted from 0; -1 where there is none."""
    low, high = float(values[finite].min()), float(values[finite].max())
    share = (values - low) * ((count - 1) / (high - low) if high > low else 0.0)
    return np.where(finite, share, -1.0).astype(np.int64)


def _extremes(column: NDArray[np.int64], y: Floats, finite: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Indices of what is kept of each stretch within one column, ascending."""
    starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    ends = np.append(starts[1:], len(column)) - 1
    kept = np.zeros(len(column), dtype=bool)
    kept[starts] = kept[ends] = True
    for values, reduce in ((np.where(finite, y, np.inf), np.minimum), (np.where(finite, y, -np.inf), np.maximum)):
        best = reduce.reduceat(values, starts)
        at = np.flatnonzero(values == np.repeat(best, ends - starts + 1))
        stretch = np.searchsorted(starts, at, side="right") - 1
        kept[at[np.diff(stretch, prepend=-1) > 0]] = True
    return np.flatnonzero(kept)


def _once(x: Floats, y: Floats, cell: NDArray[np.int64], finite: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """The same picture without strokes that lie on earlier ones; NaN stands where some are left out."""
    low, high = np.minimum(cell[:-1], cell[1:]), np.maximum(cell[:-1], cell[1:])
    drawn = np.flatnonzero(finite[:-1] & finite[1:])
    strokes = drawn[_first_of_each(low[drawn] * (cell.max() + 1) + high[drawn])]
    broken = np.diff(strokes, prepend=-2) > 1
    # Each stroke adds its end; one that does not go on from the stroke before adds a break and its beginning, too.
    place = np.arange(len(strokes)) + 2 * np.cumsum(broken)
    out_x, out_y = (np.full(len(strokes) + 2 * int(broken.sum()), np.nan) for _ in range(2))
    out_x[place], out_y[place] = x[strokes + 1], y[strokes + 1]
    out_x[place[broken] - 1], out_y[place[broken] - 1] = x[strokes[broken]], y[strokes[broken]]
    return out_x, out_y


def _first_of_each(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    """Where each key, none of them negative, occurs first, ascending."""
    bits = len(keys).bit_length()
    if int(keys.max(initial=0)).bit_length() + bits > 63:
        return np.sort(np.unique(keys, return_index=True)[1])
    # Several times faster than sorting by an index.
    packed = np.sort(keys << bits | np.arange(len(keys)))
    firsts = packed[np.diff(packed >> bits, prepend=-1) > 0]
    return np.sort(firsts & ((1 << bits) - 1))
