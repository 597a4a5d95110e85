"""An operator's hold and stop, and what follows a program."""

import numpy as np
import pytest

from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.link.numbers import Code
from luggin.protocol.points import Flag
from luggin.protocol.program import AFTER_RUN_PERIOD, Block, Ending
from luggin.sim.refused import Refused
from support.bench import Bench, block, hold, program, ramp, rest


def bench() -> Bench:
    return Bench(ideal=True, speed=10.0)


def cycles(pause: str, repeat: int = 3) -> Block:
    return block(ramp(0.0, 0.5, 0.5, 0.01), ramp(0.5, 0.0, 0.5, 0.01), repeat=repeat, pause=pause)


def test_a_hold_at_any_time_stops_a_sweep_where_it_is_and_goes_on_from_there() -> None:
    on = bench()
    on.start(program(block(ramp(0.0, 1.0, 0.1, 0.1), pause="any-time")))
    on.pass_time(0.5)
    on.device.hold()
    assert on.status().activity is Activity.HELD
    on.pass_time(0.65)
    on.device.unhold(on.device.clock(on.now), on.now)
    assert on.status().activity is Activity.RUNNING
    assert on.finish().outcome is Outcome.COMPLETED
    points = on.points()
    during = points["cycle"] == 0
    assert during.sum() == 6  # one a second of the program's time
    assert points["applied_potential"][during] == pytest.approx(np.full(6, 0.5), abs=1e-6)
    swept = points["applied_potential"][~during]
    assert swept == pytest.approx(0.01 * np.arange(1, 101), abs=1e-6)
    assert ((points["flags"] & Flag.HELD) != 0).tolist() == [False] * 50 + [True] * 56
    assert (np.diff(points["time"]) > 0).all()
    assert points["time"][-1] == pytest.approx(16.5, abs=0.11)


def test_a_hold_between_repeats_waits_for_the_end_of_one() -> None:
    on = bench()
    on.start(program(cycles("between-repeats")))
    on.pass_time(0.11)
    on.device.hold()
    assert on.status().activity is Activity.RUNNING
    on.pass_time(0.5)
    assert on.status().activity is Activity.HELD
    assert on.points()["applied_potential"][on.points()["cycle"] == 0] == pytest.approx([0.0] * 4, abs=1e-6)
    on.device.unhold(on.device.clock(on.now), on.now)
    on.finish()
    assert np.bincount(on.points()["cycle"]).tolist()[1:] == [200, 200, 200]


def test_a_hold_that_is_withdrawn_in_time_never_happens() -> None:
    on = bench()
    on.start(program(cycles("between-repeats")))
    on.pass_time(0.1)
    on.device.hold()
    on.device.unhold(on.device.clock(on.now), on.now)
    on.finish()
    assert not (on.points()["flags"] & Flag.HELD).any()


def test_a_hold_is_refused_where_there_is_no_place_for_it() -> None:
    on = bench()
    on.start(program(cycles("never"), block(hold(0.1, 9.0))))
    with pytest.raises(Refused, match="no place from here on") as refused:
        on.device.hold()
    assert refused.value.code is Code.HOLD_NOT_ALLOWED
    late = bench()
    late.start(program(cycles("between-repeats", repeat=2)))
    late.pass_time(0.3)
    with pytest.raises(Refused, match="no place from here on"):
        late.device.hold()


def test_an_open_cell_is_held_open() -> None:
    on = bench()
    on.start(program(block(rest(10.0), pause="any-time")))
    on.pass_time(0.5)
    on.device.hold()
    on.pass_time(0.5)
    assert on.status().activity is Activity.HELD
    assert on.status().cell is Cell.OFF
    assert (on.points()["flags"] & Flag.CELL_OPEN).all()


def test_all_holds_together_last_no_longer_than_the_program_allows() -> None:
    on = bench()
    last = block(hold(-0.3, 2.0), phase=1, on_stop=True)
    on.start(program(block(hold(0.1, 60.0), pause="any-time"), block(hold(0.2, 60.0)), last, longest_hold=8.0))
    on.pass_time(0.1)
    on.device.hold()
    on.pass_time(0.5)
    on.device.unhold(on.device.clock(on.now), on.now)
    on.pass_time(0.1)
    on.device.hold()
    status = on.finish()
    assert status.outcome is Outcome.HOLD_EXPIRED
    assert "longer than the 8 s" in status.detail
    assert status.run_time == pytest.approx(2.0 + 8.0 + 2.0, abs=0.3)
    assert on.points()["applied_potential"][-1] == pytest.approx(-0.3)
    assert status.cell is Cell.OFF


@pytest.mark.parametrize("held", [False, True])
def test_a_stop_ends_the_segment_and_executes_what_is_meant_for_it(held: bool) -> None:
    on = bench()
    measuring = block(hold(0.1, 60.0), hold(0.2, 60.0), repeat=3, pause="any-time")
    cleaning = block(hold(-0.5, 3.0), phase=2, on_stop=True)
    on.start(program(measuring, block(hold(0.3, 60.0), phase=1), cleaning))
    on.pass_time(0.5)
    if held:
        on.device.hold()
        on.pass_time(0.2)
    on.device.stop()
    assert on.status().activity is Activity.CLOSING
    assert on.status().outcome is Outcome.STOPPED
    on.device.stop()  # nothing more to be done about it
    assert on.status().activity is Activity.CLOSING
    status = on.finish()
    assert status.outcome is Outcome.STOPPED
    assert set(on.points()["phase"].tolist()) == {0, 2}
    assert (on.points()["phase"] == 2).sum() == 30


def test_after_the_run_a_potential_is_held_for_its_time_and_watched() -> None:
    on = bench()
    ending = Ending(after_run="hold", potential=-0.2, duration=7.5)
    on.start(program(hold(0.1, 1.0), ending=ending))
    on.pass_time(0.3)
    assert on.status().activity is Activity.AFTER_RUN
    assert on.status().outcome is Outcome.COMPLETED
    assert on.status().cell is Cell.ON
    status = on.finish()
    assert status.run_time == pytest.approx(8.5)
    points = on.points()
    assert points["time"][10:].tolist() == pytest.approx([1.0 + AFTER_RUN_PERIOD * k for k in range(1, 8)])
    assert points["cycle"][10:].tolist() == [0] * 7
    assert points["applied_potential"][10:] == pytest.approx(np.full(7, -0.2))


def test_a_stop_after_the_run_opens_the_cell() -> None:
    on = bench()
    on.start(program(hold(0.1, 1.0), ending=Ending(after_run="hold", potential=None, duration=60.0)))
    on.pass_time(0.3)
    assert on.points()["applied_potential"][-1] == pytest.approx(0.1)  # the level that stood
    on.device.stop()
    assert on.status().activity is Activity.ENDED
    assert on.status().outcome is Outcome.COMPLETED
    assert on.status().cell is Cell.OFF


def test_the_ending_follows_a_stop_as_well() -> None:
    on = bench()
    on.start(program(hold(0.1, 60.0), ending=Ending(after_run="hold", potential=-0.2, duration=5.0)))
    on.pass_time(0.3)
    on.device.stop()
    assert on.status().activity is Activity.AFTER_RUN
    assert on.finish().outcome is Outcome.STOPPED


def test_requests_that_fit_no_activity_are_refused_with_a_sentence() -> None:
    on = bench()
    clock = on.device.clock(on.now)
    for request in (on.device.hold, on.device.stop, lambda: on.device.unhold(clock, on.now)):
        with pytest.raises(Refused, match="not possible while the instrument is idle") as refused:
            request()
        assert refused.value.code is Code.WRONG_STATE
    on.start(program(hold(0.1, 60.0)))
    with pytest.raises(Refused, match="the program is not held"):
        on.device.unhold(clock, on.now)
    with pytest.raises(Refused, match="not possible while the instrument is running"):
        on.device.upload(0, b"x")
