"""The instrument keeps the cell safe by itself: limits, dead-man timer, relay, reference, cell-off."""

from typing import Any

import numpy as np
import pytest

from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.link.numbers import Code
from luggin.protocol.points import Flag
from luggin.protocol.program import DeadMan, Ending, Limit, Limits
from luggin.sim.refused import Refused
from luggin.sim.trouble import Spike, Trouble
from support.bench import RUN, WIDE, Bench, block, hold, program, ramp, rest

WINDOW = Limit(low=-0.2, high=0.6, hard_low=-0.7, hard_high=1.1, persistence=0.1)


def limits(**more: Any) -> Limits:
    return Limits(**{"potential": WINDOW, "duration": 1e6, **more})


def ended_at(bench: Bench) -> float:
    return bench.status().run_time


# Limits


@pytest.mark.parametrize("period", [0.01, 0.1, 5.0])
def test_a_single_reading_out_of_the_window_trips_nothing(period: float) -> None:
    trouble = Trouble(spikes=[Spike(3.0, "potential", 0.5), Spike(4.0, "current", 5e-3)])
    bench = Bench(trouble=trouble, speed=100.0)
    current = Limit(low=-1e-4, high=1e-4, persistence=0.1)
    bench.run(program(hold(0.5, 10.0, period), limits=limits(current=current)))
    assert bench.status().outcome is Outcome.COMPLETED
    if period < 1.0:
        assert bench.points()["potential"].max() > 0.9
        assert bench.points()["current"].max() > 4e-3


def test_a_single_reading_beyond_the_hard_window_trips_at_once() -> None:
    bench = Bench(trouble=Trouble(spikes=[Spike(3.0, "potential", 0.7)]), speed=100.0)
    bench.run(program(hold(0.5, 10.0, 0.01), limits=limits()))
    assert bench.status().outcome is Outcome.LIMIT
    assert bench.status().cell is Cell.OFF
    assert "hard limit" in bench.status().detail
    assert ended_at(bench) == pytest.approx(3.0)
    assert bench.points()["time"][-1] == pytest.approx(3.0)  # the point that shows why


def test_a_limit_is_watched_between_sparse_points_and_where_none_are_stored() -> None:
    for period in (60.0, None):
        bench = Bench(speed=100.0)
        current = Limit(high=2e-5, persistence=1.0)
        bench.run(program(hold(0.1, 30.0, None), hold(0.5, 500.0, period), limits=limits(current=current)))
        assert bench.status().outcome is Outcome.LIMIT
        assert ended_at(bench) == pytest.approx(31.1)


def test_the_charging_current_of_a_step_is_no_violation() -> None:
    bench = Bench(ideal=True, speed=100.0)
    current = Limit(low=-6e-5, high=6e-5, persistence=0.1)
    bench.run(program(hold(-0.1, 1.0, 1e-3), hold(0.5, 1.0, 1e-3), limits=limits(current=current)))
    assert bench.status().outcome is Outcome.COMPLETED
    assert bench.points()["current"].max() > 2e-4


def test_charge_and_duration_are_limited() -> None:
    charged = Bench(speed=100.0)
    charged.run(program(hold(0.55, 60.0), limits=limits(charge=Limit(high=1e-4))))
    assert charged.status().outcome is Outcome.LIMIT
    assert charged.status().detail.startswith("charge ")
    assert ended_at(charged) == pytest.approx(2.0)
    long = Bench(speed=100.0)
    long.run(program(hold(0.1, 60.0), limits=limits(duration=12.0)))
    assert long.status().outcome is Outcome.LIMIT
    assert ended_at(long) == pytest.approx(12.1)


def test_at_open_circuit_the_potential_window_does_not_apply() -> None:
    bench = Bench(speed=100.0)
    narrow = limits(potential=Limit(low=0.3, high=0.6, persistence=0.1))
    bench.run(program(hold(0.5, 1.0), rest(5.0), limits=narrow))
    assert bench.status().outcome is Outcome.COMPLETED


def test_a_hold_after_the_run_is_watched_like_the_run() -> None:
    trouble = Trouble(reference_lost=5.05)
    bench = Bench(trouble=trouble, speed=100.0)
    ending = Ending(after_run="hold", potential=0.1, duration=1000.0)
    bench.start(program(hold(0.5, 1.0), limits=limits(), ending=ending))
    assert bench.finish().outcome in (Outcome.LIMIT, Outcome.CONTROL_OVERLOAD)
    assert ended_at(bench) == pytest.approx(5.1)


# The control loop


@pytest.mark.parametrize("period", [1e-3, 0.1, 10.0])
def test_a_lost_reference_opens_the_cell_within_a_tenth_of_a_second(period: float) -> None:
    bench = Bench("redox-probe", Trouble(reference_lost=4.95), speed=100.0)
    bench.run(program(hold(0.3, 30.0, period), limits=limits()))
    assert bench.status().outcome in (Outcome.LIMIT, Outcome.CONTROL_OVERLOAD)
    assert bench.status().cell is Cell.OFF
    assert 4.95 < ended_at(bench) <= 4.95 + 0.1 + 1e-6
    assert bench.points()["flags"][-1] & Flag.CONTROL_OVERLOAD


def test_without_a_hard_window_the_overload_of_the_loop_opens_the_cell() -> None:
    bench = Bench(trouble=Trouble(reference_lost=2.0), speed=100.0)
    bench.run(program(hold(0.3, 30.0, 0.01), limits=WIDE.model_copy(update={"potential": Limit(low=-9, high=9)})))
    assert bench.status().outcome is Outcome.CONTROL_OVERLOAD
    assert "control loop" in bench.status().detail
    assert ended_at(bench) == pytest.approx(2.0 + 0.1 + 0.02, abs=0.011)


def test_a_current_beyond_the_compliance_voltage_overloads_the_loop() -> None:
    bench = Bench(speed=100.0)
    wide = Limits(potential=Limit(low=-15.0, high=15.0), duration=99.0)
    bench.run(program(hold(5e-3, 10.0, 0.01, control="current"), limits=wide))
    assert bench.status().outcome is Outcome.CONTROL_OVERLOAD
    points = bench.points()
    overloaded = (points["flags"] & Flag.CONTROL_OVERLOAD) != 0
    assert overloaded[-1]
    assert np.abs(points["cell_voltage"]).max() <= 12.0 * 1.001


# Relay and closing order


def test_a_cell_is_let_go_in_order_current_range_relay() -> None:
    bench = Bench(speed=100.0)
    bench.run(program(hold(1e-5, 1.0, control="current")))
    assert [(what, value) for _, what, value in bench.log.events] == [
        ("control", "current"),
        ("relay", "on"),
        ("level", 0.0),
        ("range", 1e-2),
        ("relay", "off"),
    ]


def test_a_relay_that_sticks_is_never_called_off_and_is_told_again() -> None:
    bench = Bench(speed=1.0)
    bench.start(program(hold(0.1, 60.0)))
    bench.pass_time(1.0)
    bench.trouble.relay = "stuck"
    receipt = bench.device.cell_off()
    assert receipt.cell is Cell.UNKNOWN
    assert not receipt.confirmed
    assert receipt.detail == "the relay was told to open, but its read-back does not say so"
    assert bench.status().cell is Cell.UNKNOWN
    assert bench.status().activity is Activity.ENDED
    bench.pass_time(1.0)
    assert bench.status().cell is Cell.UNKNOWN
    bench.trouble.relay = "none"
    bench.pass_time(0.2)
    assert bench.status().cell is Cell.OFF


def test_a_relay_without_read_back_is_unknown_and_nothing_starts_on_it() -> None:
    bench = Bench()
    bench.trouble.relay = "mute"
    assert bench.device.cell_off().cell is Cell.UNKNOWN
    bench.load(program(hold(0.1, 1.0)))
    with pytest.raises(Refused, match="does not read as off") as refused:
        bench.device.start(RUN, 0.0, bench.now)
    assert refused.value.code is Code.FAULT


def test_a_relay_that_does_not_close_ends_the_program() -> None:
    bench = Bench(speed=100.0)
    bench.trouble.relay = "stuck"
    bench.start(program(hold(0.1, 1.0)))
    assert bench.status().outcome is Outcome.FAULT
    assert bench.status().activity is Activity.ENDED
    assert bench.status().cell is Cell.OFF
    assert "the relay was told to connect" in bench.status().detail


def test_cell_off_is_obeyed_in_every_state_and_any_number_of_times() -> None:
    bench = Bench()
    assert bench.device.cell_off().confirmed
    assert bench.status().activity is Activity.IDLE
    bench.load(program(block(hold(0.1, 60.0), pause="any-time")))
    assert bench.device.cell_off().confirmed
    assert bench.status().activity is Activity.IDLE  # disarmed
    bench.load(program(block(hold(0.1, 60.0), pause="any-time")))
    bench.device.start(RUN, bench.device.clock(bench.now), bench.now)
    bench.pass_time(1.0)
    bench.device.hold()
    assert bench.device.cell_off().confirmed
    assert bench.status().outcome is Outcome.OFF
    assert bench.device.cell_off().confirmed
    assert bench.status().activity is Activity.ENDED


# Freshness


@pytest.mark.parametrize(("quoted", "age"), [(4.0, "6 s old"), (10.5, "0.5 s ahead")])
def test_nothing_is_energised_on_an_old_word(quoted: float, age: str) -> None:
    bench = Bench()
    bench.load(program(hold(0.1, 1.0)))
    bench.pass_time(10.0)
    with pytest.raises(Refused, match=age) as refused:
        bench.device.start(RUN, quoted, bench.now)
    assert refused.value.code is Code.STALE
    assert bench.status().cell is Cell.OFF


# Dead-man timer: real time, whatever the speed of the program


def silent(rule: DeadMan, speed: float, seconds: float, *, cell_limits: Limits = WIDE) -> Bench:
    bench = Bench(speed=speed)
    bench.start(program(hold(0.55, 1e5, 1.0, integrate=True), dead_man=rule, limits=cell_limits))
    bench.pass_time(seconds, fed=False)
    return bench


@pytest.mark.parametrize("speed", [1.0, 50.0])
def test_a_silent_host_opens_the_cell_in_real_time(speed: float) -> None:
    bench = silent(DeadMan(timeout=10.0), speed, 9.9)
    assert bench.status().activity is Activity.RUNNING
    assert bench.status().silence == pytest.approx(9.9)
    bench.pass_time(0.2, fed=False)
    assert bench.status().outcome is Outcome.DEAD_MAN
    assert bench.status().cell is Cell.OFF
    assert ended_at(bench) == pytest.approx(10.0 * speed, abs=0.11)
    assert bench.status().silence == 0.0


def test_however_late_the_device_is_woken_the_cell_opened_in_time() -> None:
    bench = Bench(speed=10.0)
    bench.start(program(hold(0.1, 1e5, 1.0), dead_man=DeadMan(timeout=10.0)))
    bench.now += 500.0
    bench.pass_time(0.0, fed=False)
    assert bench.status().outcome is Outcome.DEAD_MAN
    assert ended_at(bench) == pytest.approx(100.0, abs=0.11)


def test_a_program_that_can_not_keep_up_does_not_keep_the_timer_waiting() -> None:
    bench = Bench(speed=1e6)
    bench.start(program(hold(0.1, 1e6, 1.0), dead_man=DeadMan(timeout=0.5)))
    for _ in range(6):
        bench.now += 0.1
        bench.device.advance(bench.now, 10)
    assert bench.status().outcome is Outcome.DEAD_MAN
    assert ended_at(bench) < 10.0


def test_a_silent_host_may_mean_a_stated_potential_for_a_time() -> None:
    bench = silent(DeadMan(timeout=2.0, action="hold", potential=-0.25, duration=5.0), 10.0, 3.0)
    assert bench.status().activity is Activity.AFTER_RUN
    assert bench.status().outcome is Outcome.DEAD_MAN
    assert bench.points()["applied_potential"][-1] == pytest.approx(-0.25)
    assert bench.status().detail == "the host fell silent; -250 mV is held"
    bench.device.keep_alive(bench.device.clock(bench.now), bench.now)  # the program is gone all the same
    bench.pass_time(3.9, fed=False)
    assert bench.status().activity is Activity.AFTER_RUN
    bench.pass_time(0.2, fed=False)
    assert bench.status().activity is Activity.ENDED
    assert bench.status().outcome is Outcome.DEAD_MAN
    assert bench.status().cell is Cell.OFF


def test_a_silent_host_may_mean_going_on_for_a_time() -> None:
    bench = silent(DeadMan(timeout=2.0, action="continue", duration=5.0), 10.0, 6.9)
    assert bench.status().activity is Activity.RUNNING
    bench.pass_time(0.2, fed=False)
    assert bench.status().outcome is Outcome.DEAD_MAN
    assert ended_at(bench) == pytest.approx(70.0, abs=0.11)


def test_a_silent_host_may_mean_going_on_for_a_charge() -> None:
    # 50 uA: 3 mC since the last keep-alive take 60 s of the program.
    bench = silent(DeadMan(timeout=2.0, action="continue", duration=1000.0, charge=3e-3), 10.0, 7.0)
    assert bench.status().outcome is Outcome.DEAD_MAN
    assert bench.status().detail == "the charge allowed without a host has passed"
    assert ended_at(bench) == pytest.approx(60.0, abs=0.2)
    assert bench.points()["time"][-1] == pytest.approx(60.0, abs=0.2)


def test_a_host_that_returns_in_time_finds_an_ordinary_run() -> None:
    bench = silent(DeadMan(timeout=2.0, action="continue", duration=5.0, charge=9.0), 10.0, 4.0)
    bench.pass_time(6.0)
    assert bench.status().activity is Activity.RUNNING
    assert ended_at(bench) == pytest.approx(100.0, abs=0.2)


def test_limits_are_watched_while_nobody_listens() -> None:
    current = Limit(high=4e-5, persistence=0.1)
    rule = DeadMan(timeout=1.0, action="hold", potential=0.5, duration=100.0)
    bench = silent(rule, 10.0, 5.0, cell_limits=limits(current=Limit(high=6e-5)))
    assert bench.status().activity is Activity.AFTER_RUN
    bench = silent(rule, 10.0, 5.0, cell_limits=limits(current=current))
    assert bench.status().outcome is Outcome.LIMIT


def test_a_sweep_never_leaves_the_stated_window_by_more_than_noise() -> None:
    bench = Bench(speed=100.0)
    bench.run(program(ramp(-0.2, 0.6, 0.1, 0.01), limits=limits(potential=Limit(low=-0.2, high=0.6, persistence=0.1))))
    assert bench.status().outcome is Outcome.COMPLETED
