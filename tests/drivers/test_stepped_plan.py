"""The plan of a host-timed run, in a time that the test makes: what it applies, when it reads, how it ends.

The oracle is the simulated instrument, which times its programs itself: with a host that is never late both must make
the same points at the same levels.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.drivers.set_and_read import Measured
from luggin.drivers.stairs import Stairs
from luggin.drivers.stepped_plan import NotPossible, Plan
from luggin.protocol.capability import Capability, Identity
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.program import Block, Ending, Limit, Limits, OpenCircuitWindow, Program, Until
from support.bench import Bench, block, hold, program, ramp, rest

OHM = 10e3
CAPABILITY = Capability(
    identity=Identity(maker="m", model="m", serial="1", firmware="1"),
    segments=("open", "hold", "ramp"),
    controls=("potential", "current"),
    potential_low=-5,
    potential_high=5,
    compliance=10,
    current_ranges=(1e-3,),
    fastest_period=0.01,
    steepest_sweep=1,
    streamed_rate=100,
    buffer=1000,
    columns=("time", "potential", "current", "flags"),
    floating=True,
    dead_man=False,
    host_timed=True,
    largest_program=10000,
)


class Host:
    """A host with a resistor, punctual but for `late` (s) at each reading."""

    def __init__(self, wanted: Program, late: Callable[[int], float] = lambda reading: 0.0) -> None:
        self.plan = Plan(wanted, CAPABILITY)
        self.late = late
        self.readings = 0
        self.points: list[dict[str, Any]] = []
        self.applied: list[float] = []
        self.cell = Cell.ON

    def step(self) -> None:
        setting = self.plan.setting
        level = setting.level
        volts, amps = (0.0, 0.0) if setting.control is None else (level, level / OHM)
        if setting.control == "current":
            volts, amps = level * OHM, level
        self.applied.append(level)
        time = self.plan.due + self.late(self.readings)
        self.readings += 1
        point = self.plan.take(time, Measured(volts, amps, self.cell))
        if point is not None:
            self.points.append(dict(point))

    def until(self, done: Callable[[], bool]) -> None:
        while not done():
            self.step()

    def end(self) -> "Host":
        self.until(lambda: not self.plan.active)
        return self

    def column(self, name: str) -> list[float]:
        return [point[name] for point in self.points]


LEVELS = st.sampled_from([-1.0, -0.25, 0.0, 0.4, 1.0])
SEGMENTS = st.one_of(
    st.builds(hold, LEVELS, st.sampled_from([0.05, 0.3, 1.0]), st.sampled_from([0.02, 0.1, 0.13, None])),
    st.builds(ramp, LEVELS, LEVELS, st.sampled_from([0.5, 1.0]), st.sampled_from([0.02, 0.1])),
    st.builds(lambda end: ramp(None, end, 0.5, 0.1), LEVELS),
    st.builds(rest, st.sampled_from([0.1, 0.4])),
)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.builds(lambda s, n: block(*s, repeat=n), st.lists(SEGMENTS, min_size=1, max_size=3),
                          st.integers(1, 2)), min_size=1, max_size=2))  # fmt: skip
def test_a_punctual_host_makes_the_points_of_an_instrument_that_times_itself(blocks: list[Block]) -> None:
    first = hold(0.0, 0.1)
    wanted = program(block(first), *blocks)
    host = Host(wanted).end()
    instrument = Bench("dummy-resistor", ideal=True).run(wanted)
    assert host.plan.outcome is Outcome.COMPLETED
    np.testing.assert_allclose(host.column("time"), instrument["time"], rtol=1e-9, atol=1e-9)
    for name in ("applied_potential", "phase", "cycle"):
        np.testing.assert_allclose(np.asarray(host.column(name), "<f4"), instrument[name], rtol=1e-6, atol=1e-6)


def test_a_ramp_goes_in_steps_as_fine_as_the_instrument_is_fast() -> None:
    # 0.1 V/s with a point each 0.1 s: 10 mV from point to point, in ten steps of 10 ms.
    host = Host(program(ramp(0.0, 0.2, 0.1, 0.1))).end()
    assert np.diff(host.applied) == pytest.approx(1e-3)
    assert host.column("applied_potential") == pytest.approx(0.01 * np.arange(1, 21))
    # An instrument that takes 50 ms for a step makes two of them.
    assert Stairs("potential", 0.0, 0.2, 2.0, 0.1, finest=0.05).steps == 40


def test_what_is_a_little_late_does_not_add_up_and_what_is_very_late_moves_the_plan() -> None:
    wanted = program(hold(0.1, 2.0))
    jitter = Host(wanted, late=lambda reading: 0.003 * (reading % 3)).end()
    assert np.abs(np.array(jitter.column("time")) - 0.1 * np.arange(1, 21)).max() < 0.0061
    assert jitter.plan.slips == 0
    held_up = Host(wanted, late=lambda reading: 0.5 if reading == 4 else 0.0).end()
    times = np.array(held_up.column("time"))
    assert len(times) == 20
    assert held_up.plan.slips == 1
    assert np.diff(times)[5:] == pytest.approx(0.1)
    assert times[-1] == pytest.approx(2.5)


def test_end_conditions_end_a_segment_with_a_point() -> None:
    charged = Until(quantity="charge", above=0.1e-4 * 0.55)
    host = Host(program(hold(0.1, 10.0, until=(charged,)), hold(0.2, 0.3))).end()
    assert host.column("applied_potential") == [0.1] * 6 + [0.2] * 3
    assert host.column("time")[5] == pytest.approx(0.6)


def test_limits_are_checked_on_every_reading_also_where_no_point_is_stored() -> None:
    limits = Limits(potential=Limit(low=-1, high=1, hard_high=0.35), duration=100)
    host = Host(program(hold(0.3, 1.0, None), hold(0.4, 10.0, period=5.0), limits=limits)).end()
    assert host.plan.outcome is Outcome.LIMIT
    assert host.plan.time == pytest.approx(1.1)
    assert "potential 400 mV is above its hard limit" in host.plan.detail
    # A limit on a quantity that is never measured says nothing.
    limits = Limits(potential=Limit(low=-1, high=1), cell_voltage=Limit(high=0.1), duration=100)
    assert Host(program(hold(0.3, 1.0), limits=limits)).end().plan.outcome is Outcome.COMPLETED


def test_an_output_that_went_off_by_itself_is_a_fault() -> None:
    host = Host(program(hold(0.3, 10.0)))
    host.step()
    host.cell = Cell.OFF
    host.end()
    assert host.plan.outcome is Outcome.FAULT
    assert host.readings == 2


def test_hold_keeps_the_level_and_unhold_goes_on_from_there() -> None:
    host = Host(program(block(ramp(0.0, 1.0, 0.1, 0.1), pause="any-time")))
    host.until(lambda: len(host.points) == 30)
    host.plan.hold(3.0)
    assert host.plan.activity is Activity.HELD
    level = host.plan.setting.level
    host.until(lambda: host.plan.time >= 7.0)
    assert host.plan.setting.level == level
    host.plan.unhold(7.5)
    host.end()
    sweep = np.array([point["applied_potential"] for point in host.points if point["cycle"] == 1])
    assert sweep == pytest.approx(0.01 * np.arange(1, 101))
    assert host.points[-1]["time"] == pytest.approx(10 + 4.5)
    assert host.points[-1]["flags"] & 16


def test_a_hold_is_bounded_and_waits_for_its_place() -> None:
    host = Host(program(block(hold(0.1, 1.0), repeat=5, pause="between-repeats"), longest_hold=2.0))
    host.step()
    host.plan.hold(0.1)
    assert host.plan.activity is Activity.RUNNING
    host.until(lambda: host.plan.activity is Activity.HELD)
    assert host.plan.time == pytest.approx(1.0)
    host.end()
    assert host.plan.outcome is Outcome.HOLD_EXPIRED
    assert host.plan.time == pytest.approx(3.0)
    never = Host(program(block(hold(0.1, 1.0))))
    with pytest.raises(NotPossible, match="no place"):
        never.plan.hold(0.0)
    with pytest.raises(NotPossible, match="not held"):
        never.plan.unhold(0.0)


def test_stop_carries_out_its_blocks_and_the_ending() -> None:
    ending = Ending(after_run="hold", potential=0.05, duration=2.0)
    blocks = (block(hold(0.1, 10.0)), block(hold(0.2, 10.0), phase=1), block(hold(0.3, 0.2), phase=2, on_stop=True))
    host = Host(program(*blocks, ending=ending))
    host.until(lambda: host.plan.time >= 1.0)
    host.plan.stop(1.05)
    host.until(lambda: host.plan.activity is Activity.AFTER_RUN)
    assert host.plan.setting.level == 0.05
    host.end()
    assert host.plan.outcome is Outcome.STOPPED
    assert host.column("phase") == [0] * 10 + [2] * 4
    assert host.plan.time == pytest.approx(1.05 + 0.2 + 2.0)
    again = Host(program(*blocks, ending=ending))
    again.until(lambda: again.plan.time >= 1.0)
    again.plan.stop(1.0)
    again.until(lambda: again.plan.activity is Activity.AFTER_RUN)
    again.plan.stop(again.plan.time)
    assert not again.plan.active


def test_open_circuit_is_learnt_and_must_be_plausible() -> None:
    relative = hold(0.1, 0.5, versus_open_circuit=True)
    window = OpenCircuitWindow(low=-0.1, high=0.1, average=0.5)
    host = Host(program(rest(1.0), relative, open_circuit=window)).end()
    assert host.column("applied_potential")[-5:] == [0.1] * 5
    assert all(math.isnan(each) for each in host.column("applied_potential")[:10])
    off = Host(program(rest(1.0), relative, open_circuit=OpenCircuitWindow(low=0.2, high=0.3))).end()
    assert off.plan.outcome is Outcome.LIMIT
    assert "plausible" in off.plan.detail


def test_statistics_are_of_the_readings_within_a_period() -> None:
    host = Host(program(ramp(0.0, 1.0, 1.0, 0.1, statistics=True))).end()
    point = host.points[3]
    assert (point["current_minimum"], point["current_maximum"]) == pytest.approx((0.31 / OHM, 0.4 / OHM))
    assert point["current"] == pytest.approx(0.355 / OHM)
