"""Whole programs on the bench: what is measured, how segments follow each other, how they end early."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.instrument import Outcome
from luggin.protocol.points import Flag
from luggin.protocol.program import Block, OpenCircuitWindow, Outputs, Until, bounds
from support.bench import WIDE, Bench, block, hold, program, ramp, rest

# The dummy cell: 1 kohm + (10 kohm parallel 1 uF).
SERIES, PARALLEL, CAPACITANCE = 1e3, 1e4, 1e-6
WHOLE = SERIES + PARALLEL
TAU = SERIES * PARALLEL * CAPACITANCE / WHOLE


def ideal(speed: float = 1000.0, cell: str = "dummy-r-rc") -> Bench:
    return Bench(cell, ideal=True, speed=speed)


# Against circuit theory: the response of R + (R || C), by Laplace transform of its admittance


def test_a_potential_step_into_the_dummy_cell_follows_the_closed_form() -> None:
    points = ideal().run(program(hold(0.5, 10e-3, 50e-6)))
    expected = 0.5 / WHOLE * (1 + PARALLEL / SERIES * np.exp(-points["time"] / TAU))
    assert len(expected) == 200
    assert points["current"] == pytest.approx(expected, rel=1e-6)
    assert points["potential"] == pytest.approx(np.full(200, 0.5), rel=1e-6)


def test_a_ramp_into_the_dummy_cell_follows_the_closed_form() -> None:
    rate = 10.0
    points = ideal().run(program(ramp(0.0, 0.1, rate, 100e-6)))
    time = points["time"]
    charging = rate * CAPACITANCE * (PARALLEL / WHOLE) ** 2 * (1 - np.exp(-time / TAU))
    assert len(time) == 100
    assert points["current"] == pytest.approx(rate * time / WHOLE + charging, rel=1e-6)
    assert points["applied_potential"] == pytest.approx(rate * time, rel=1e-6)


def test_a_current_step_into_the_dummy_cell_follows_the_closed_form() -> None:
    points = ideal().run(program(hold(1e-5, 50e-3, 1e-3, control="current")))
    rise = PARALLEL * (1 - np.exp(-points["time"] / (PARALLEL * CAPACITANCE)))
    assert points["potential"] == pytest.approx(1e-5 * (SERIES + rise), rel=1e-6)
    assert np.isnan(points["applied_potential"]).all()
    assert points["current"] == pytest.approx(np.full(50, 1e-5), rel=1e-6)


def test_charge_is_counted_from_the_beginning_of_each_segment() -> None:
    points = ideal().run(program(hold(0.55, 2.0, 0.5, integrate=True), hold(-0.55, 1.0, 0.5, integrate=True)))
    charging = 0.55 * CAPACITANCE * (PARALLEL / WHOLE) ** 2
    slow = 0.55 / WHOLE
    assert points["charge"][:4] == pytest.approx(slow * points["time"][:4] + charging, rel=1e-4)
    assert points["charge"][4:] == pytest.approx([-0.5 * slow - 2 * charging, -slow - 2 * charging], rel=1e-4)


def test_a_realistic_instrument_reads_the_dummy_cell_to_a_tenth_of_a_percent_of_its_range() -> None:
    points = Bench(speed=1000.0).run(program(hold(0.55, 20.0, 0.1)))
    settled = (points["flags"] == 0) & (points["time"] > 1.0)
    assert settled.sum() > 150
    error = np.abs(points["current"] - 0.55 / WHOLE)[settled]
    assert error.max() < 1e-3 * 1e-4
    assert error.max() > 0  # it is not the ideal one


# How segments follow each other

levels = st.floats(-1, 1).map(lambda level: round(level, 3))
periods = st.one_of(st.none(), st.sampled_from([0.013, 0.1, 0.7]))
segments = st.one_of(
    st.builds(hold, levels, st.sampled_from([0.05, 0.4, 1.0]), periods),
    st.builds(rest, st.sampled_from([0.05, 0.4, 1.0]), periods),
    st.builds(ramp, levels, levels, st.sampled_from([0.5, 2.0]), periods),
)
blocks = st.lists(
    st.builds(
        lambda parts, repeat, phase: block(*parts, repeat=repeat, phase=phase),
        st.lists(segments, min_size=1, max_size=3),
        st.integers(1, 2),
        st.integers(0, 3),
    ),
    min_size=1,
    max_size=3,
)


@given(blocks)
@settings(max_examples=60)
def test_a_full_run_makes_just_what_its_bounds_say(given_blocks: list[Block]) -> None:
    wanted = program(*given_blocks)
    limits, bench = bounds(wanted), ideal(speed=1e5)
    points = bench.run(wanted)
    assert bench.status().outcome is Outcome.COMPLETED
    assert bench.status().next == limits.points
    assert bench.status().run_time == pytest.approx(limits.duration, abs=1e-9)
    if points:
        assert (np.diff(points["time"]) > 0).all()
        applied = points["applied_potential"][~np.isnan(points["applied_potential"])]
        assert (applied >= (limits.potential_low or 0.0) - 1e-6).all()
        assert (applied <= (limits.potential_high or 0.0) + 1e-6).all()
        open_cell = (points["flags"] & Flag.CELL_OPEN) != 0
        assert np.array_equal(open_cell, np.isnan(points["current"]))


def test_a_sweep_without_a_start_goes_on_from_the_level_that_stands() -> None:
    turn = Until(quantity="potential", above=0.3)
    points = ideal().run(program(ramp(0.0, 1.0, 1.0, 0.01, until=(turn,)), ramp(None, 0.0, 1.0, 0.01)))
    applied = points["applied_potential"]
    top = int(np.argmax(applied))
    assert applied[top] == pytest.approx(0.31, abs=1e-6)
    assert applied[top + 1] == pytest.approx(0.30, abs=1e-6)
    assert applied[-1] == pytest.approx(0.0, abs=1e-6)


def test_after_current_control_a_sweep_begins_at_the_measured_potential() -> None:
    points = ideal().run(program(hold(1e-5, 1.0, 0.1, control="current"), ramp(None, 0.3, 0.1, 0.1)))
    assert points["potential"][9] == pytest.approx(0.11, rel=1e-6)
    assert points["applied_potential"][10] == pytest.approx(0.12, rel=1e-6)


def test_a_level_against_open_circuit_is_added_to_what_the_rest_found() -> None:
    wanted = program(
        hold(0.4, 1.0),
        rest(5e-3, 1e-3),
        hold(0.1, 1.0, versus_open_circuit=True),
        open_circuit=OpenCircuitWindow(low=0.0, high=1.0, average=2e-3),
    )
    points = ideal().run(wanted)
    found = points["potential"][12:15].astype(float).mean()  # the capacitor loses its charge meanwhile
    assert points["flags"][10:15].tolist() == [Flag.CELL_OPEN] * 5
    assert points["applied_potential"][15:] == pytest.approx(np.full(10, 0.1 + found), rel=1e-5)


def test_an_implausible_open_circuit_potential_ends_the_program() -> None:
    window = OpenCircuitWindow(low=0.5, high=1.0)
    bench = ideal()
    bench.run(program(rest(2.0), hold(0.1, 1.0, versus_open_circuit=True), open_circuit=window))
    status = bench.status()
    assert status.outcome is Outcome.LIMIT
    assert status.detail == "the open-circuit potential 0 V lies outside the plausible 500 mV to 1 V"
    assert status.next == 20


def test_a_rest_that_must_settle_and_does_not_ends_in_order() -> None:
    never = Until(quantity="drift", below=1e-12, persistence=1.0)
    cleaning = block(hold(-0.1, 1.0), phase=1, on_stop=True)
    bench = Bench(speed=1000.0)
    bench.start(program(block(rest(5.0, must_settle=True, until=(never,))), block(hold(0.1, 9.0)), cleaning))
    status = bench.finish()
    assert status.outcome is Outcome.STOPPED
    assert status.detail == "the open-circuit potential did not settle within 5 s"
    assert status.next == 50 + 10
    assert bench.points()["applied_potential"][-1] == pytest.approx(-0.1)


# End conditions


def test_a_condition_ends_its_segment_with_a_point_of_its_own() -> None:
    charged = Until(quantity="charge", above=2e-4)
    points = ideal().run(program(hold(0.55, 60.0, 1.0, until=(charged,), integrate=True), hold(0.0, 1.0, 1.0)))
    # 50 uA make 200 uC in 4 s; the charge of the double layer, 0.45 uC, hurries that a little.
    assert points["time"].tolist() == pytest.approx([1.0, 2.0, 3.0, 4.0, 5.0])
    assert points["charge"][3] >= 2e-4
    finer = ideal().run(program(hold(0.55, 60.0, 10.0, until=(charged,), integrate=True)))
    assert finer["time"].tolist() == pytest.approx([4.0])
    assert 2e-4 <= finer["charge"][0] < 2.06e-4


def test_a_condition_may_leave_the_whole_block() -> None:
    done = Until(quantity="current-magnitude", above=4e-5, then="next-block")
    cycle = block(ramp(0.0, 0.2, 1.0, 0.01), ramp(0.2, 0.0, 1.0, 0.01), repeat=5)
    last = block(ramp(0.0, 1.0, 1.0, 0.01, until=(done,)), hold(0.9, 10.0), repeat=3, phase=1)
    points = ideal().run(program(cycle, last, block(hold(0.1, 1.0), phase=2)))
    assert np.bincount(points["phase"])[0] == 200
    assert points["current"][points["phase"] == 1][-1] > 4e-5
    assert points["applied_potential"][points["phase"] == 1].max() < 0.5
    assert (points["cycle"][points["phase"] == 1] == 1).all()
    assert len(points["time"][points["phase"] == 2]) == 10


def test_conditions_act_in_segments_that_store_nothing() -> None:
    charged = Until(quantity="charge", above=1e-4)
    bench = ideal()
    points = bench.run(program(hold(0.55, 60.0, None, until=(charged,)), hold(0.0, 1.0, 0.5)))
    assert points["time"][0] - 0.5 == pytest.approx(2.0, abs=0.11)


def test_a_condition_never_makes_more_points_than_the_segment_holds() -> None:
    late = Until(quantity="current", above=-1.0, not_before=2.35)
    wanted = program(hold(0.1, 2.5, 1.0, until=(late,)))
    bench = ideal()
    bench.run(wanted)
    assert bench.status().next == bounds(wanted).points == 2
    assert bench.status().run_time == pytest.approx(2.4)


# What else a point says


def test_statistics_are_kept_where_they_are_asked_for() -> None:
    points = ideal().run(program(ramp(0.0, 1.1, 1.1, 0.1, statistics=True), hold(1.1, 0.2)))
    assert points["current"][1] == pytest.approx((0.165 / WHOLE) + 1.1e-6 * (PARALLEL / WHOLE) ** 2, rel=0.1)
    assert (points["current_minimum"][:10] < points["current"][:10]).all()
    assert (points["current"][:10] < points["current_maximum"][:10]).all()
    assert np.isnan(points["current_minimum"][10:]).all()
    assert "charge" not in points


def test_outputs_stand_as_long_as_their_segment_and_are_safe_at_the_end() -> None:
    bench = ideal(cell="redox-probe")
    stirred = Outputs(stirrer=True, gas=True)
    bench.run(program(hold(0.5, 1.0, outputs=stirred), hold(0.5, 1.0, outputs=Outputs(gas=True)), limits=WIDE))
    done = [(round(time, 6), what, value) for time, what, value in bench.log.events]
    assert done == [
        (0.0, "stirrer", True),
        (0.0, "gas", True),
        (0.0, "control", "potential"),
        (0.0, "relay", "on"),
        (1.0, "stirrer", False),
        (2.0, "range", 1e-2),
        (2.0, "relay", "off"),
        (2.0, "gas", False),
    ]


def test_stirring_reaches_the_cell() -> None:
    still = ideal(cell="redox-probe").run(program(hold(-0.1, 5.0)))
    stirred = ideal(cell="redox-probe").run(program(hold(-0.1, 5.0, outputs=Outputs(stirrer=True))))
    assert abs(stirred["current"][-1]) > 1.5 * abs(still["current"][-1])


def test_each_run_begins_with_a_fresh_cell_and_noise_of_its_own() -> None:
    bench = Bench("redox-probe", speed=1000.0)
    first = bench.run(program(hold(-0.1, 1.0)))
    bench.device.acknowledge("run-1", 10)
    second = bench.run(program(hold(-0.1, 1.0)), "run-2")
    assert second["current"] == pytest.approx(first["current"], rel=1e-2)
    assert not np.array_equal(second["current"], first["current"])
