"""Reading input arrays: finite, one-dimensional, of matching length, or one clear sentence why not."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from luggin.daemon.analysis.errors import AnalysisError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_BEYOND_REASON = 1e60  # between this and its inverse squares and their sums stay finite and above zero


def floats(name: str, values: ArrayLike, *, at_least: int = 1) -> Floats:
    """Return `values` as a one-dimensional array of at least `at_least` finite floats."""
    return _read(name, values, np.dtype(np.float64), at_least)


def complexes(name: str, values: ArrayLike, *, at_least: int = 1) -> Complexes:
    """Return `values` as a one-dimensional array of at least `at_least` finite complex numbers."""
    return _read(name, values, np.dtype(np.complex128), at_least)


def pair(first: str, a: ArrayLike, second: str, b: ArrayLike, *, at_least: int = 1) -> tuple[Floats, Floats]:
    """Read two arrays that belong together point by point."""
    x, y = floats(first, a, at_least=at_least), floats(second, b, at_least=at_least)
    same_length(first, x, second, y)
    return x, y


def same_length(first: str, a: NDArray[Any], second: str, b: NDArray[Any]) -> None:
    """Raise AnalysisError unless both arrays hold the same number of values."""
    if a.size != b.size:
        raise AnalysisError(f"{first} has {a.size} values and {second} has {b.size}; give one of each for every point.")


def positive(name: str, value: float) -> float:
    """Return `value` if it is a finite number above zero, else raise AnalysisError."""
    if not (np.isfinite(value) and value > 0):
        raise AnalysisError(f"{name} is {value:.6g}; it must be above zero.")
    return float(value)


def all_positive(name: str, values: Floats) -> None:
    """Raise AnalysisError naming the first value that is not above zero."""
    wrong = np.flatnonzero(values <= 0)
    if wrong.size:
        at = int(wrong[0])
        raise AnalysisError(f"{name}[{at}] is {values[at]:.6g}; every value must be above zero.")


def _read(name: str, values: ArrayLike, dtype: np.dtype[Any], at_least: int) -> NDArray[Any]:
    try:
        array = np.asarray(values, dtype=dtype)
    except (TypeError, ValueError):
        raise AnalysisError(f"{name} holds something that is not a number; give a row of plain numbers.") from None
    if array.ndim != 1:
        raise AnalysisError(f"{name} has {array.ndim} dimensions; give a single row of numbers.")
    if array.size < at_least:
        raise AnalysisError(f"{name} has {array.size} values; at least {at_least} are needed.")
    wrong = np.flatnonzero(~np.isfinite(array))
    if wrong.size:
        at = int(wrong[0])
        raise AnalysisError(f"{name}[{at}] is {array[at]}; remove points without a finite value.")
    wrong = np.flatnonzero(np.abs(array) > _BEYOND_REASON)
    if wrong.size:
        at = int(wrong[0])
        raise AnalysisError(f"{name}[{at}] is {array[at]:.6g}; no quantity is that large, check its unit.")
    return np.where(np.abs(array) < 1 / _BEYOND_REASON, 0, array)
