import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.export.clock import iso, utc_of
from luggin.daemon.store import Anchor


def anchor(run_time: float | None, utc: float, synchronised: bool = True) -> Anchor:
    return Anchor("bench-1", "run-1", "boot-1", 0.0, utc, synchronised, 1000.0, run_time)


def test_dates_are_iso_8601_in_utc() -> None:
    # POSIX: 1 000 000 000 s since the epoch is 2001-09-09T01:46:40Z (m).
    assert iso(1_000_000_000.1234) == "2001-09-09T01:46:40.123Z"
    assert iso(0) == "1970-01-01T00:00:00.000Z"
    assert [iso(odd) for odd in (math.nan, math.inf, 1e300, 1e15)] == [None] * 4


def test_the_last_synchronised_anchor_before_the_moment_decides() -> None:
    anchors = [anchor(0, 100), anchor(3600, 3710), anchor(7200, 9999, synchronised=False), anchor(None, 5)]
    assert utc_of(10, anchors, 0) == 110
    assert utc_of(3605, anchors, 0) == 3715
    assert utc_of(7300, anchors, 0) == 7410


def test_an_unsynchronised_clock_is_better_than_none() -> None:
    assert utc_of(10, [anchor(5, 50, synchronised=False)], 1e9) == 55
    assert utc_of(10, [anchor(None, 50)], 1e9) == 1e9 + 10


@given(st.lists(st.floats(0, 1e6), max_size=5), st.floats(0, 1e6), st.floats(-1e9, 1e9))
def test_a_steady_clock_is_followed_exactly(times: list[float], moment: float, offset: float) -> None:
    anchors = [anchor(time, time + offset) for time in times]
    assert utc_of(moment, anchors, offset) == pytest.approx(moment + offset, abs=1e-5)
