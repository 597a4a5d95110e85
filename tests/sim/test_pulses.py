"""Pulse trains on the simulated instrument: what is sampled when, ranges, flags, endings."""

from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.instrument import Activity, Outcome
from luggin.protocol.points import Array, Flag
from luggin.protocol.program import (
    Limit,
    Limits,
    OpenCircuitWindow,
    Outputs,
    Program,
    Pulse,
    Pulses,
    Ranging,
    Until,
    bounds,
)
from luggin.sim.executor.pulses import PulseTrain
from luggin.sim.refused import Refused
from support.bench import Bench, block, hold, program, rest

# The dummy cell: 1 kohm + (10 kohm parallel 1 uF).
SERIES, PARALLEL, CAPACITANCE = 1e3, 1e4, 1e-6
WHOLE = SERIES + PARALLEL
TAU = SERIES * PARALLEL * CAPACITANCE / WHOLE


def forward(duration: float, begin: float, end: float, offset: float = 0.0, **more: Any) -> Pulse:
    return Pulse(duration=duration, offset=offset, record="forward", sample_from=begin, sample_to=end, **more)


def reverse(duration: float, begin: float, end: float, offset: float = 0.0) -> Pulse:
    return Pulse(duration=duration, offset=offset, record="reverse", sample_from=begin, sample_to=end)


def train(*pulses: Pulse, start: float = 0.0, step: float = 0.01, count: int = 10, **more: Any) -> Pulses:
    period = sum(pulse.duration for pulse in pulses)
    return Pulses(start=start, step=step, count=count, pulses=pulses, period=period, **more)


def square(amplitude: float = 0.1, half: float = 20e-3, window: float = 5e-3, **more: Any) -> Pulses:
    begin = half - window
    pulses = (forward(half, begin, half, amplitude), reverse(half, begin, half, -amplitude))
    return train(*pulses, **{"difference": True, **more})


def ideal(cell: str = "dummy-r-rc") -> Bench:
    return Bench(cell, ideal=True, speed=1e5)


# Windows


def test_a_window_gives_the_mean_of_just_its_time() -> None:
    """The mean of U/(Rs+Rp) (1 + Rp/Rs exp(-t/tau)), the closed form of a step into the dummy cell, over the window."""
    begin, end = 0.3e-3, 1.2e-3
    points = ideal().run(program(train(forward(2e-3, begin, end), start=0.5, step=0.0, count=1)))
    decay = TAU * (np.exp(-begin / TAU) - np.exp(-end / TAU)) / (end - begin)
    expected = 0.5 / WHOLE * (1 + PARALLEL / SERIES * decay)
    assert points["current"] == pytest.approx([expected], rel=1e-6)
    assert points["time"] == pytest.approx([2e-3])


def test_one_point_a_period_with_the_potential_of_its_stair() -> None:
    points = ideal().run(program(square(start=0.2, step=-0.01, count=30, half=50e-3)))
    assert points["time"] == pytest.approx(0.1 * np.arange(1, 31), rel=1e-12)
    assert points["applied_potential"] == pytest.approx(0.2 - 0.01 * np.arange(30), abs=1e-7)
    assert points["potential"] == pytest.approx(0.3 - 0.01 * np.arange(30), abs=1e-6)  # that of the forward pulse
    # The pulses are long against the time constant: Ohm's law.
    assert points["forward_current"] == pytest.approx(points["potential"] / WHOLE, rel=1e-6, abs=1e-12)
    assert points["current"] == pytest.approx(np.full(30, 0.2 / WHOLE), rel=1e-5)
    assert (points["flags"] == 0).all()


def test_pulses_from_the_start_return_to_it() -> None:
    pulses = (Pulse(duration=0.02, from_start=True), forward(0.02, 0.01, 0.02))
    bench = ideal()
    points = bench.run(program(train(*pulses, start=0.1, step=0.1, count=5)))
    assert points["current"] == pytest.approx((0.1 + 0.1 * np.arange(5)) / WHOLE, rel=1e-4)
    assert "reverse_current" not in points
    course = PulseTrain(train(*pulses, start=0.1, step=0.1, count=5), 0.0, 50)
    levels = course.pieces(0, course.steps).first
    assert levels == pytest.approx([0.1, 0.1, 0.1, 0.1, 0.2, 0.2, 0.1, 0.3, 0.3, 0.1, 0.4, 0.4, 0.1, 0.5, 0.5])


def test_a_window_with_room_for_whole_mains_cycles_covers_whole_ones() -> None:
    """Hum of 50 or 60 Hz is not left in a mean over whole cycles of it (common practice, no source)."""

    def window(length: float, mains: int) -> float:
        course = PulseTrain(train(forward(0.2, 0.2 - length, 0.2)), 0.0, mains)
        pieces = course.pieces(0, course.steps // 10)
        assert pieces.counts is not None
        return float(pieces.dt[pieces.counts].sum())

    assert window(45e-3, 50) == pytest.approx(40e-3)
    assert window(45e-3, 60) == pytest.approx(2 / 60)
    assert window(15e-3, 50) == pytest.approx(15e-3)
    assert window(0.2, 50) == pytest.approx(0.2)
    fixed = Ranging(lower=1e-4, upper=1e-4, initial=1e-4)

    def spread(length: float) -> float:
        # 47 ms from pulse to pulse, so that the hum comes in another phase each time
        one = train(forward(47e-3, 46e-3 - length, 46e-3), step=0.0, count=200)
        points = Bench(speed=1e5).run(program(one, ranging=fixed))
        return float(points["current"][5:].std())

    assert spread(20e-3) < spread(19e-3) < spread(5e-3)
    assert spread(20e-3) < 0.2 * spread(5e-3)


def test_a_current_is_pulsed_too() -> None:
    pulses = (Pulse(duration=0.05), forward(0.05, 0.04, 0.05, 1e-5))
    points = ideal().run(program(train(*pulses, start=0.0, step=0.0, count=4, control="current")))
    assert points["current"] == pytest.approx(np.full(4, 1e-5), rel=1e-6)
    assert points["potential"][-1] == pytest.approx(1e-5 * (SERIES + PARALLEL * (1 - np.exp(-5))), rel=1e-2)
    assert np.isnan(points["applied_potential"]).all()


def test_levels_against_open_circuit_are_added_to_what_the_rest_found() -> None:
    wanted = program(
        hold(0.4, 1.0),
        rest(5e-3, 1e-3),
        square(start=0.1, versus_open_circuit=True),
        open_circuit=OpenCircuitWindow(low=0.0, high=1.0, average=2e-3),
    )
    points = ideal().run(wanted)
    found = points["potential"][12:15].astype(float).mean()
    assert points["applied_potential"][15:] == pytest.approx(found + 0.1 + 0.01 * np.arange(10), abs=1e-6)
    assert np.isnan(points["forward_current"][:15]).all()


@settings(max_examples=25, deadline=None)
@given(
    lengths=st.lists(st.sampled_from([1e-3, 0.02, 0.13]), min_size=1, max_size=4),
    shares=st.tuples(st.floats(0.3, 0.9), st.floats(0.2, 1.0)),
    start=st.floats(-0.5, 0.5),
    step=st.floats(-0.02, 0.02),
    offset=st.floats(-0.3, 0.3),
    count=st.integers(1, 12),
)
def test_a_train_keeps_to_the_bounds_of_its_program(
    lengths: list[float], shares: tuple[float, float], start: float, step: float, offset: float, count: int
) -> None:
    begin = shares[0] * lengths[0]
    first = forward(lengths[0], begin, begin + shares[1] * (lengths[0] - begin), offset)
    others = [Pulse(duration=each, from_start=k % 2 == 0) for k, each in enumerate(lengths[1:])]
    wanted = program(train(first, *others, start=start, step=step, count=count), ranging=Ranging(lower=1e-2))
    bench, extent = ideal(), bounds(wanted)
    points = bench.run(wanted)
    status = bench.status()
    assert status.outcome is Outcome.COMPLETED
    assert len(points["time"]) == extent.points == count
    assert status.run_time == pytest.approx(extent.duration, rel=1e-9)
    assert points["time"] == pytest.approx(sum(lengths) * np.arange(1, count + 1), rel=1e-9)
    for name in ("potential", "applied_potential"):
        low = min(extent.potential_low or 0.0, start, start + (count - 1) * step)
        high = max(extent.potential_high or 0.0, start, start + (count - 1) * step)
        assert (points[name] >= low - 1e-6).all()
        assert (points[name] <= high + 1e-6).all()


def test_the_mirror_image_of_a_train_gives_the_mirror_image_of_its_curve() -> None:
    there = ideal().run(program(square(start=-0.2, step=0.01, count=40)))
    back = ideal().run(program(square(start=0.2, step=-0.01, count=40, amplitude=-0.1)))
    assert back["applied_potential"] == pytest.approx(-there["applied_potential"], abs=1e-7)
    assert back["current"] == pytest.approx(-there["current"], rel=1e-6)


# Ranges


def test_a_range_changes_after_a_period_and_has_settled_when_the_next_window_opens() -> None:
    large = square(amplitude=0.5, step=0.0, count=12)
    points = Bench(speed=1e5).run(program(large, ranging=Ranging(lower=1e-5, upper=1e-3, initial=1e-5)))
    assert points["current_range"] == pytest.approx([1e-5, *[1e-4] * 11])
    assert points["flags"].tolist() == [Flag.CURRENT_OVERLOAD, *[0] * 11]
    assert points["forward_current"][1:] == pytest.approx(np.full(11, 0.5 / WHOLE), rel=1e-3)
    # Downwards after three low readings, which are one and a half periods.
    small = square(amplitude=1e-3, step=0.0, count=12)
    points = Bench(speed=1e5).run(program(small, ranging=Ranging(lower=1e-6, upper=1e-4, initial=1e-4)))
    assert points["current_range"] == pytest.approx([1e-4, 1e-4, 1e-5, 1e-5, *[1e-6] * 8])
    assert (points["flags"] & ~np.uint16(Flag.UNDERLOAD) == 0).all()


def test_a_window_that_opens_just_when_the_new_range_has_settled_is_true() -> None:
    """From 10 uA to 100 uA takes 0.625 ms on the bench model, to the last digit the lead of these windows."""
    one = train(forward(20e-3, 0.625e-3, 20e-3, 0.5), step=0.0, count=40)
    points = Bench(speed=1e5).run(program(one, ranging=Ranging(lower=1e-4, upper=1e-3, initial=1e-4)))
    assert (points["flags"] & Flag.SETTLING == 0).all()
    late = square(amplitude=0.5, half=0.9, window=0.85, step=0.0, count=3)  # its last step is long against that
    points = Bench(speed=1e5).run(program(late, ranging=Ranging(lower=1e-5, upper=1e-3, initial=1e-5)))
    assert points["current_range"] == pytest.approx([1e-5, 1e-4, 1e-4])
    assert points["flags"].tolist() == [Flag.CURRENT_OVERLOAD, 0, 0]


def test_no_change_of_range_within_a_period() -> None:
    """A period whose two halves ask for different ranges keeps to the one that holds both."""
    pulses = (forward(20e-3, 15e-3, 20e-3, 0.5), reverse(20e-3, 15e-3, 20e-3, 1e-3))
    points = Bench(speed=1e5).run(
        program(train(*pulses, step=0.0, count=20), ranging=Ranging(lower=1e-6, upper=1e-3, initial=1e-4))
    )
    assert set(points["current_range"].tolist()) == {np.float32(1e-4)}
    assert (points["flags"] == 0).all()


def test_a_range_that_is_locked_stays() -> None:
    locked = square(amplitude=0.5, autorange=False)
    points = Bench(speed=1e5).run(program(locked, ranging=Ranging(lower=1e-6, upper=1e-3, initial=1e-5)))
    assert set(points["current_range"].tolist()) == {np.float32(1e-5)}
    assert (points["flags"] & Flag.CURRENT_OVERLOAD).all()


def test_ranges_that_settle_too_slowly_are_left_out() -> None:
    """100 nA takes 40 ms and 1 uA 10 ms on the bench model; the window opens after 3 ms."""
    quick = square(amplitude=1e-4, half=5e-3, window=2e-3, count=40)
    assert quick.lead == pytest.approx(3e-3)
    points = Bench(speed=1e5).run(program(hold(0.0, 2.0), quick))
    assert points["current_range"][19] == pytest.approx(1e-7)
    assert points["current_range"][20:].min() == pytest.approx(1e-5)
    with pytest.raises(Refused, match=r"the range of 1 µA still settles .* set ranging.lower = 10 µA"):
        Bench(speed=1e5).start(program(quick, ranging=Ranging(lower=1e-6)))


def test_any_overload_in_the_windows_of_a_period_marks_its_point() -> None:
    fixed = Ranging(lower=1e-5, upper=1e-5, initial=1e-5)
    pulses = (forward(20e-3, 15e-3, 20e-3, 0.05), reverse(20e-3, 15e-3, 20e-3, 0.5))
    points = Bench(speed=1e5).run(program(train(*pulses, step=0.0, difference=True), ranging=fixed))
    assert (points["flags"] == Flag.CURRENT_OVERLOAD).all()
    # What charges the cell before the windows is no overload of the point.
    points = Bench(speed=1e5).run(program(square(amplitude=0.05, count=5), ranging=fixed))
    assert 0.05 / SERIES > 1e-5 > 0.05 / WHOLE
    assert (points["flags"] == 0).all()


def test_a_control_loop_that_gives_way_anywhere_in_a_period_marks_its_point() -> None:
    pulses = (forward(20e-3, 15e-3, 20e-3, 1e-5), Pulse(duration=20e-3, offset=5e-3))
    wanted = program(
        train(*pulses, start=0.0, step=0.0, count=5, control="current"),
        limits=Limits(potential=Limit(low=-60.0, high=60.0), control_overload=1.0, duration=10.0),
    )
    points = ideal().run(wanted)
    assert (points["flags"] == Flag.CONTROL_OVERLOAD).all()


# Endings


def test_limits_act_within_a_long_period() -> None:
    slow = train(Pulse(duration=5.0, offset=0.5), forward(5.0, 4.0, 5.0), step=0.0, count=10)
    limit = Limits(potential=Limit(low=-1.0, high=1.0), current=Limit(high=4e-5, persistence=0.5), duration=1e3)
    bench = ideal()
    points = bench.run(program(slow, limits=limit))
    status = bench.status()
    assert status.outcome is Outcome.LIMIT
    assert "current 45.4545 µA is above its limit" in status.detail
    assert status.run_time == pytest.approx(0.6, abs=0.11)
    # The period came to no end: a point for the record, not for evaluation.
    assert points["flags"].tolist() == [Flag.SETTLING]
    assert points["current"] == pytest.approx([0.5 / WHOLE], rel=1e-3)
    assert np.isnan(points["forward_current"]).all()


def test_conditions_end_a_train_with_a_point_of_its_own() -> None:
    charged = Until(quantity="charge", above=1e-4)
    slow = train(forward(2.0, 0.5, 1.0, 0.55), step=0.0, count=10, until=(charged,), integrate=True)
    bench = ideal()
    points = bench.run(program(slow, hold(0.0, 1.0, 0.5)))
    assert bench.status().outcome is Outcome.COMPLETED
    # 50 uA make 100 uC in 2 s; what charges the double layer hurries that a little.
    assert points["time"] == pytest.approx([2.0, 2.5, 3.0])
    assert points["charge"][0] >= 1e-4
    early = train(forward(3.0, 0.5, 1.0, 0.55), step=0.0, count=10, until=(charged,), integrate=True)
    points = ideal().run(program(early, hold(0.0, 1.0, 0.5)))
    assert points["time"][0] == pytest.approx(2.0)
    assert points["flags"][0] == Flag.SETTLING
    assert points["forward_current"][0] == pytest.approx(0.55 / WHOLE, rel=1e-4)  # its window had passed


def test_no_hold_within_pulses() -> None:
    bench = Bench(ideal=True)
    bench.start(program(block(square(count=50), hold(0.1, 1.0), pause="any-time")))
    bench.pass_time(0.5)
    bench.device.hold()
    assert bench.status().activity is Activity.RUNNING
    bench.pass_time(1.0)
    assert bench.status().activity is Activity.RUNNING
    bench.pass_time(0.6)
    assert bench.status().activity is Activity.HELD
    assert bench.status().run_time == pytest.approx(2.1, abs=0.1)
    last = Bench(ideal=True)
    last.start(program(block(square(count=50), pause="any-time")))
    last.pass_time(0.5)
    with pytest.raises(Refused, match="no place from here on"):
        last.device.hold()


def test_points_after_a_hold_are_marked() -> None:
    bench = Bench(ideal=True)
    bench.start(program(block(hold(0.1, 1.0), pause="any-time"), block(square(count=5))))
    bench.pass_time(0.5)
    bench.device.hold()
    bench.pass_time(0.5)
    bench.device.unhold(bench.device.clock(bench.now), bench.now)
    bench.finish()
    assert (bench.points()["flags"][-5:] == Flag.HELD).all()


def test_a_stop_ends_a_train_at_once() -> None:
    bench = Bench(ideal=True)
    bench.start(program(square(step=0.0, count=1000)))
    bench.pass_time(1.01)
    bench.device.stop()
    assert bench.device.activity is Activity.ENDED
    assert bench.status().outcome is Outcome.STOPPED
    assert bench.status().next == 25


# However time is cut


@cache
def everything() -> Program:
    return program(
        block(hold(0.4, 1.0, 0.25)),
        block(
            square(amplitude=0.05, start=0.3, step=-0.01, count=25, until=(Until(quantity="current", below=-1.0),)),
            train(
                Pulse(duration=0.31, from_start=True),
                forward(0.05, 0.03, 0.05),
                start=0.4,
                step=-0.03,
                count=20,
                until=(Until(quantity="potential", below=0.15),),
            ),
            phase=1,
            repeat=2,
        ),
        ranging=Ranging(lower=1e-6, upper=1e-3, initial=1e-5),
    )


@cache
def reference() -> dict[str, Array]:
    bench = Bench("redox-probe", seed=7, speed=50.0)
    points = bench.run(everything())
    assert bench.status().outcome is Outcome.COMPLETED
    assert len(np.unique(points["current_range"])) > 1
    assert (points["flags"] & Flag.SETTLING).any()
    return points


@settings(max_examples=3, deadline=None)
@given(steps=st.lists(st.floats(1e-4, 0.7), min_size=1, max_size=6), most=st.lists(st.integers(5, 600), min_size=1))
def test_the_cutting_of_time_changes_nothing(steps: list[float], most: list[int]) -> None:
    bench = Bench("redox-probe", seed=7, speed=50.0)
    bench.start(everything())
    steps, turn = [*steps, 1.0], 0
    while bench.device.run_time == 0 or bench.status().outcome is None:
        bench.device.keep_alive(bench.device.clock(bench.now), bench.now)
        bench.device.advance(bench.now, most[turn % len(most)])
        if not bench.device.behind:
            bench.now += steps[turn % len(steps)] / 50.0
        turn += 1
    found = bench.points()
    assert found.keys() == reference().keys()
    assert all(found[name].tobytes() == reference()[name].tobytes() for name in found)


# Outputs


def test_light_and_rotation_reach_their_outputs_and_end_safe() -> None:
    bench = Bench("redox-probe", ideal=True, speed=1e4)
    turning = Outputs(light=True, rotation_rate=25.0)
    bench.run(program(hold(-0.1, 1.0, outputs=turning), hold(-0.1, 1.0, outputs=Outputs(rotation_rate=50.0))))
    done = [(round(time, 6), what, value) for time, what, value in bench.log.events if what not in ("control",)]
    assert done == [
        (0.0, "light", True),
        (0.0, "rotation_rate", 25.0),
        (0.0, "relay", "on"),
        (1.0, "light", False),
        (1.0, "rotation_rate", 50.0),
        (2.0, "range", 1e-2),
        (2.0, "relay", "off"),
        (2.0, "rotation_rate", 0.0),
    ]


def test_the_limiting_current_grows_with_the_root_of_the_rotation_rate() -> None:
    """Levich: i ~ omega^(1/2) (Bard & Faulkner, from memory)."""

    def limiting(rate: float) -> float:
        bench = Bench("redox-probe", ideal=True, speed=1e5)
        return float(bench.run(program(hold(-0.1, 20.0, outputs=Outputs(rotation_rate=rate))))["current"][-1])

    assert limiting(40.0) / limiting(10.0) == pytest.approx(2.0, rel=0.01)
    with pytest.raises(Refused, match=r"faster than the electrode can turn; it turns at 150 Hz at most"):
        limiting(200.0)
