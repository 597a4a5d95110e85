"""Batches: cut anew and joined again, the points stay the same."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol.points import COLUMNS, Batch, batch, join


def make(first: int, after: int) -> Batch:
    index = np.arange(first, after)
    return batch("run", "boot", first, {"time": index * 0.1, "current": index, "flags": index % 7})


@given(st.lists(st.integers(0, 60), min_size=1, max_size=8))
def test_cutting_and_joining_lose_nothing(cuts: list[int]) -> None:
    whole = make(5, 60)
    edges = sorted({5, 60, *cuts})
    parts = [p for a, b in itertools.pairwise(edges) if (p := whole.cut(a, b)) is not None]
    (joined,) = join(parts)
    assert (joined.first, joined.after) == (5, 60)
    for name, column in whole.columns.items():
        assert joined.columns[name].dtype == np.dtype(COLUMNS[name].dtype)
        np.testing.assert_array_equal(joined.columns[name], column)


def test_a_gap_or_another_boot_is_not_joined() -> None:
    later = Batch("run", "other boot", 10, make(10, 20).columns)
    assert len(join([make(0, 10), make(11, 20)])) == 2
    assert len(join([make(0, 10), later])) == 2


def test_refuses_what_is_no_batch() -> None:
    with pytest.raises(ValueError, match="differ in shape"):
        Batch("run", "boot", 0, {"time": np.zeros(3), "current": np.zeros(2)})
    with pytest.raises(ValueError, match="unknown columns"):
        Batch("run", "boot", 0, {"hue": np.zeros(3)})
