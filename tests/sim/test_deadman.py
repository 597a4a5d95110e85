"""The dead-man timer, in its own clock."""

import pytest

from luggin.protocol.program import DeadMan
from luggin.sim.deadman import DeadManTimer, Heard, Verdict


def test_it_opens_the_cell_once_the_host_was_silent_for_too_long() -> None:
    timer = DeadManTimer(DeadMan(timeout=10.0), 100.0)
    assert timer.verdict(109.9) is Verdict.NOTHING
    assert timer.silence(109.9) == pytest.approx(9.9)
    assert timer.verdict(110.0) is Verdict.OPEN


def test_a_keep_alive_counts_from_the_clock_that_it_quotes() -> None:
    timer = DeadManTimer(DeadMan(timeout=10.0), 100.0)
    assert timer.feed(104.0, 109.0) is Heard.WELL  # it was on its way for 5 s
    assert timer.deadline == 114.0


def test_it_never_goes_backwards_and_believes_no_future() -> None:
    timer = DeadManTimer(DeadMan(timeout=10.0), 100.0)
    timer.feed(105.0, 106.0)
    assert timer.feed(103.0, 107.0) is Heard.NOTHING
    assert timer.feed(500.0, 108.0) is Heard.NOTHING
    assert timer.deadline == 115.0


@pytest.mark.parametrize("action", ["hold", "continue"])
def test_holding_and_going_on_are_bounded(action: str) -> None:
    timer = DeadManTimer(DeadMan(timeout=10.0, action=action, potential=0.1, duration=30.0), 0.0)
    assert timer.verdict(10.5) is Verdict.FIRE
    assert timer.verdict(10.6) is Verdict.NOTHING
    assert timer.verdict(39.9) is Verdict.NOTHING
    assert timer.verdict(40.0) is Verdict.OPEN  # counted from the deadline, not from when it was noticed


def test_a_host_that_returns_ends_the_going_on_but_not_the_holding() -> None:
    going_on = DeadManTimer(DeadMan(timeout=10.0, action="continue", duration=30.0), 0.0)
    going_on.verdict(10.0)
    assert going_on.feed(5.0, 20.0) is Heard.NOTHING  # too old to mean that anybody is there
    assert going_on.verdict(20.0) is Verdict.NOTHING
    assert going_on.feed(20.0, 20.1) is Heard.BACK
    assert going_on.deadline == 30.0
    holding = DeadManTimer(DeadMan(timeout=10.0, action="hold", potential=0.1, duration=30.0), 0.0)
    holding.verdict(10.0)
    assert holding.feed(20.0, 20.1) is Heard.NOTHING
    assert holding.deadline == 40.0
