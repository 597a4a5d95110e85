"""Courses of straight lines: where their samples lie, which become points, what level stands."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol.program import sample_count
from luggin.sim.executor.course import WATCH
from luggin.sim.executor.straight import STATISTICS, Straight
from luggin.sim.frontend import Samples

lengths = st.floats(1e-2, 50.0)
periods = st.one_of(st.none(), st.floats(1e-2, 50.0))


def samples(current: list[float]) -> Samples:
    values = np.array(current)
    same = np.zeros(len(values))
    return Samples(same, same, same, values, same, same, same, same, np.zeros(len(values), dtype=np.uint16))


def chosen(course: Straight, cuts: list[int]) -> list[int]:
    """Numbers of all samples that become points, taken in pieces."""
    found: list[int] = []
    first = 0
    for after in [*(cut for cut in sorted(cuts) if cut < course.steps), course.steps]:
        if after > first:
            found += [first + int(k) for k in course.reduce(first, samples([0.0] * (after - first)), False).chosen]
        first = after
    return found


@given(duration=lengths, period=periods, cuts=st.lists(st.integers(0, 2000), max_size=5), data=st.data())
def test_points_lie_at_whole_multiples_of_the_period(
    duration: float, period: float | None, cuts: list[int], data: st.DataObject
) -> None:
    course = Straight("potential", 0.0, 1.0, duration, period)
    ends = course.ends(0, course.steps)
    points = chosen(course, cuts)
    assert len(points) == course.points == sample_count(duration, period)
    if period is not None:
        assert np.array_equal(ends[points], period * np.arange(1, len(points) + 1))
    assert ends[-1] == pytest.approx(duration, rel=1e-9)
    spacing = np.diff(ends, prepend=0.0)
    assert (spacing > 0).all()
    assert spacing.max() <= WATCH * (1 + 1e-6)
    first = data.draw(st.integers(0, course.steps - 1))
    count = data.draw(st.integers(1, course.steps - first))
    assert np.array_equal(course.ends(first, count), ends[first : first + count])


@given(start=st.floats(-2, 2), end=st.floats(-2, 2), duration=lengths, period=periods)
def test_lines_join_and_end_where_they_should(start: float, end: float, duration: float, period: float | None) -> None:
    course = Straight("potential", start, end, duration, period)
    pieces = course.pieces(0, course.steps)
    assert np.array_equal(pieces.first[1:], pieces.last[:-1])
    assert pieces.first[0] == start
    assert pieces.last[-1] == pytest.approx(end, abs=1e-9)
    assert pieces.dt.sum() == pytest.approx(duration, rel=1e-9)
    assert min(start, end) <= pieces.last.min()
    assert pieces.last.max() <= max(start, end)
    assert course.level(course.steps) == pieces.last[-1]
    assert course.level(0) == start


def test_a_ramp_is_sampled_at_the_end_of_each_period() -> None:
    course = Straight("potential", 0.0, -0.5, 5.0, 0.01)
    assert course.steps == course.points == 500
    assert course.pieces(0, 500).last == pytest.approx(-0.001 * np.arange(1, 501))


def test_a_long_period_is_watched_in_between() -> None:
    course = Straight("potential", 0.0, 0.0, 60.0, 25.0)
    assert course.points == 2
    assert course.steps == 600
    assert chosen(course, [7, 251]) == [249, 499]


def test_a_segment_that_ends_early_gets_a_point_of_its_own_where_there_is_room() -> None:
    course = Straight("potential", 0.0, 0.0, 3.0, 1.0)
    assert course.reduce(3, samples([0.0] * 4), True).chosen.tolist() == [3]
    assert course.reduce(7, samples([0.0] * 3), True).chosen.tolist() == [2]  # the point is there by itself
    late = Straight("potential", 0.0, 0.0, 2.5, 1.0)
    assert late.reduce(20, samples([0.0] * 3), True).chosen.tolist() == []  # both of its points are stored already


def test_statistics_keep_mean_and_extremes_of_each_period() -> None:
    course = Straight("potential", 0.0, 0.0, 0.2, 0.1, statistics=True)
    assert course.steps == 2 * STATISTICS
    current = [float(k) for k in range(2 * STATISTICS)]
    parts = [course.reduce(0, samples(current[:5]), False), course.reduce(5, samples(current[5:]), False)]
    mean, least, most = (
        np.concatenate([part.columns[name] for part in parts])
        for name in ("current", "current_minimum", "current_maximum")
    )
    assert mean.tolist() == [3.5, 11.5]
    assert least.tolist() == [0.0, 8.0]
    assert most.tolist() == [7.0, 15.0]
