"""Columns as JSON numbers.  Reference: numpy's own shortest representation of a float32 (Dragon4, unique=True)."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.decimals import columns, numbers
from luggin.protocol.points import batch


def floats(values: list[float]) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    return np.array(values, dtype="<f4")


def test_a_tenth_is_a_tenth() -> None:
    assert numbers(floats([0.1, 1e-6, 2.5e-9, -0.2, 100.0])) == [0.1, 1e-6, 2.5e-9, -0.2, 100.0]


def test_what_is_no_number_is_none() -> None:
    assert numbers(floats([np.nan, 1.0, np.inf, -np.inf])) == [None, 1.0, None, None]
    assert numbers(np.array([np.nan, 0.1])) == [None, 0.1]


def test_counts_and_flags_stay_integers() -> None:
    found = numbers(np.array([0, 65535], dtype="<u2"))
    assert found == [0, 65535]
    assert all(type(each) is int for each in found)


def test_doubles_are_untouched() -> None:
    assert numbers(np.array([0.1 + 0.2, 1e-300])) == [0.1 + 0.2, 1e-300]


@given(st.lists(st.floats(width=32), min_size=1, max_size=50))
def test_reading_back_gives_the_measured_bits(values: list[float]) -> None:
    column = floats(values)
    back = json.loads(json.dumps(numbers(column)))
    for value, read in zip(column, back, strict=True):
        if np.isfinite(value):
            assert np.float32(read).tobytes() == value.tobytes()
        else:
            assert read is None


@given(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=50))
def test_no_longer_than_needed_for_any_bit_pattern(patterns: list[int]) -> None:
    column = np.array(patterns, dtype="<u4").view("<f4")
    for value, found in zip(column, numbers(column), strict=True):
        if np.isfinite(value):
            assert found == float(np.format_float_scientific(value, unique=True))


def test_powers_of_two_where_spacing_changes() -> None:
    column = (2.0 ** np.arange(-149, 128)).astype("<f4")
    assert [np.float32(each) for each in numbers(column)] == list(column)


def test_empty() -> None:
    assert numbers(floats([])) == []


def test_columns_of_a_batch() -> None:
    one = batch("run-1", "boot-1", 0, {"time": [0.5], "current": [1e-6], "flags": [3]})
    assert columns(one) == {"time": [0.5], "current": [1e-6], "flags": [3]}


@pytest.mark.parametrize("size", [1, 499, 500, 10_000])
def test_any_length(size: int) -> None:
    column = np.linspace(-1, 1, size).astype("<f4")
    assert np.array_equal(np.array(numbers(column), dtype="<f4"), column)
