"""The ring of points against a plain list."""

import numpy as np
import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from luggin.protocol.link.columns import Even
from luggin.sim.buffer import PointBuffer

COLUMNS = ("time", "current", "charge", "flags")


class BufferMachine(RuleBasedStateMachine):
    CAPACITY = 13

    def __init__(self) -> None:
        super().__init__()
        self.buffer = PointBuffer("run-1", "boot-1", self.CAPACITY, COLUMNS)
        self.all: list[float] = []
        self.oldest = self.lost = 0
        self.base, self.number = 0.0, 1

    @rule(count=st.integers(1, 30), even=st.booleans(), new_base=st.booleans())
    def append(self, count: int, even: bool, new_base: bool) -> None:
        if new_base:
            self.base, self.number = self.base + 100.0, 1
        rule_of_times = Even(self.base, 0.1, self.number)
        time = rule_of_times.times(count)
        self.number += count
        columns = {"time": time, "current": 2 * time, "flags": np.arange(count)}
        added = self.buffer.append(columns, rule_of_times if even else None)
        assert added.first == len(self.all)
        self.all += time.tolist()
        overwritten = max(0, len(self.all) - self.CAPACITY - self.oldest)
        self.lost += overwritten
        self.oldest += overwritten

    @rule(after=st.integers(0, 200))
    def forget(self, after: int) -> None:
        self.buffer.forget(after)
        self.oldest = max(self.oldest, min(after, len(self.all)))

    @rule(share=st.floats(0, 1, exclude_max=True), most=st.integers(1, 50))
    def look(self, share: float, most: int) -> None:
        if self.oldest == len(self.all):
            return
        first = self.oldest + int(share * (len(self.all) - self.oldest))
        found, even = self.buffer.batch(first, most)
        assert found.first == first
        assert 1 <= found.count <= most
        assert found.columns["time"].tolist() == self.all[first : found.after]
        assert np.isnan(found.columns["charge"]).all()
        if even is not None:
            assert np.array_equal(even.times(found.count), found.columns["time"])

    @invariant()
    def counts(self) -> None:
        assert (self.buffer.oldest, self.buffer.next, self.buffer.lost) == (self.oldest, len(self.all), self.lost)


TestBuffer = BufferMachine.TestCase


def test_evenly_spaced_points_come_in_one_batch_with_one_rule() -> None:
    buffer = PointBuffer("run-1", "boot-1", 1000, COLUMNS)
    for first in range(1, 100, 7):
        even = Even(0.5, 0.01, first)
        buffer.append({"time": even.times(7), "current": np.zeros(7), "flags": np.zeros(7)}, even)
    found, even_found = buffer.batch(3, 1000)
    assert found.count == 15 * 7 - 3
    assert even_found == Even(0.5, 0.01, 4)


def test_points_have_the_types_of_their_columns() -> None:
    buffer = PointBuffer("run-1", "boot-1", 10, COLUMNS)
    added = buffer.append({"time": np.array([0.1]), "current": np.array([0.1]), "flags": np.array([3])}, None)
    assert [added.columns[name].dtype.str for name in COLUMNS] == ["<f8", "<f4", "<f8", "<u2"]
    assert added.columns["current"][0] == pytest.approx(0.1, rel=1e-7)
