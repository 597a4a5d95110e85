"""Following a run: whatever the order of messages, each point is kept once and in its place."""

from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.cli.follow import Follower
from luggin.protocol.payloads import Points


def points(first: int, after: int) -> Points:
    index = list(range(first, after))
    return Points(run="r", boot="b", first=first, count=len(index), live=True, columns={"time": index})


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 12)), max_size=20))
def test_points_come_out_in_order_and_once(spans: list[tuple[int, int]]) -> None:
    follower, known = Follower("r"), set[int]()
    for first, count in spans:
        follower.add(points(first, first + count))
        known.update(range(first, first + count))
    contiguous = 0
    while contiguous in known:
        contiguous += 1
    assert follower.columns.get("time", []) == list(range(contiguous))
    beyond = sorted(index for index in known if index > contiguous)
    assert (follower.gap is None) == (not beyond)
    if follower.gap is not None:
        assert follower.gap[0] == contiguous
        follower.add(points(contiguous, follower.gap[1]))
        assert len(follower.columns["time"]) > contiguous


def test_a_hole_that_nobody_can_fill_is_passed_over() -> None:
    follower = Follower("r")
    follower.add(points(0, 5))
    follower.add(points(8, 10))
    follower.skip_gap()
    assert follower.columns["time"] == [0, 1, 2, 3, 4, 8, 9]
    assert follower.gap is None


def test_what_belongs_to_other_runs_is_left_alone() -> None:
    follower = Follower("r")
    follower.take("luggin/n/i/run/other/points", points(0, 5).model_dump_json().encode())
    assert follower.columns == {}
    follower.take("luggin/n/i/run/r/points", points(0, 5).model_dump_json().encode())
    assert follower.after == 5
