"""The same program, cell and seed give the same points bit for bit, however time and bytes are cut, whatever happens
to the line."""

from functools import cache
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.instrument import Outcome
from luggin.protocol.points import Array
from luggin.protocol.program import OpenCircuitWindow, Program, Pulse, Pulses, Ranging, Until
from support.bench import Bench, block, hold, program, ramp, rest
from support.wired import Wired

SETTINGS: dict[str, Any] = {"seed": 7, "speed": 50.0}


def differential_pulses(count: int) -> Pulses:
    """50 mV for 80 ms, four times a second; long enough for the range of 100 nA."""
    before = Pulse(duration=0.17, record="reverse", sample_from=0.15, sample_to=0.17)
    pulse = Pulse(duration=0.08, offset=-0.05, record="forward", sample_from=0.06, sample_to=0.08)
    return Pulses(start=0.3, step=-0.01, count=count, pulses=(before, pulse), period=0.25, difference=True)


@cache
def everything() -> Program:
    """All that could depend on how samples are cut: conditions, ranging, rest potentials, repeats, long periods."""
    turn = Until(quantity="current-magnitude", above=1.2e-5, persistence=0.02, then="next-segment")
    charged = Until(quantity="charge", below=-4e-5)
    still = Until(quantity="drift", below=5e-3, persistence=0.7, not_before=0.7)
    return program(
        block(rest(3.0, 0.05, until=(still,))),
        block(
            ramp(0.55, -0.1, 0.5, 2e-3, until=(turn,)), ramp(None, 0.55, 0.5, 2e-3, until=(turn,)), repeat=2, phase=1
        ),
        block(
            hold(0.05, 20.0, 0.7, versus_open_circuit=True),
            hold(-0.05, 30.0, None, until=(charged,)),
            hold(-0.3, 2.0, 0.25, statistics=True, integrate=True),
            phase=2,
        ),
        block(differential_pulses(12), phase=3),
        ranging=Ranging(lower=1e-7, upper=1e-3, initial=1e-6),
        open_circuit=OpenCircuitWindow(low=-1.0, high=1.0, average=0.3),
    )


@cache
def reference() -> dict[str, Array]:
    bench = Bench("redox-probe", **SETTINGS)
    points = bench.run(everything())
    assert bench.status().outcome is Outcome.COMPLETED
    assert bench.status().next > 500
    assert len(np.unique(points["current_range"])) > 2
    return points


def same(found: dict[str, Array]) -> bool:
    expected = reference()
    return list(found) == list(expected) and all(
        found[name].dtype == expected[name].dtype and found[name].tobytes() == expected[name].tobytes()
        for name in expected
    )


@settings(max_examples=8, deadline=None)
@given(steps=st.lists(st.floats(1e-4, 2.0), min_size=1, max_size=8), most=st.lists(st.integers(1, 600), min_size=1))
def test_the_cutting_of_time_changes_nothing(steps: list[float], most: list[int]) -> None:
    bench = Bench("redox-probe", **SETTINGS)
    bench.start(everything())
    steps, turn = [*steps, 1.0], 0
    while bench.device.run_time == 0 or bench.status().outcome is None:
        clock = bench.device.clock(bench.now)
        bench.device.keep_alive(clock, bench.now)
        bench.device.advance(bench.now, most[turn % len(most)])
        if not bench.device.behind:
            bench.now += steps[turn % len(steps)] / SETTINGS["speed"]
        turn += 1
    assert same(bench.points())


@pytest.mark.parametrize("speed", [5.0, 1e6])
def test_the_speed_changes_nothing(speed: float) -> None:
    bench = Bench("redox-probe", seed=7, speed=speed)
    assert same(bench.run(everything()))


@pytest.mark.parametrize(
    "faults",
    [(), ("crumbs",), ("loss=20%",), ("garble=0.1%",), ("delay=30 ms",), ("drop@3", "stall=1@6", "drop@6")],
    ids=lambda faults: "+".join(faults) or "clean",
)
def test_no_line_however_bad_changes_a_point(faults: tuple[str, ...]) -> None:
    wired = Wired(*faults, cut=Random(1), cell="redox-probe", **SETTINGS)
    wired.start(everything())
    assert wired.finish().outcome is Outcome.COMPLETED
    assert same(wired.columns())


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 2**32), step=st.floats(1e-3, 0.3), most=st.integers(1, 600), drops=st.floats(0.2, 0.5))
def test_new_sessions_at_any_time_change_nothing(seed: int, step: float, most: int, drops: float) -> None:
    wired = Wired(cut=Random(seed), most=most, cell="redox-probe", **SETTINGS)
    wired.start(everything())
    while wired.status().outcome is None:
        wired.alive()
        wired.pass_time(drops, step)
        wired.connect()
        wired.resume()
    wired.finish()
    assert same(wired.columns())


def test_another_seed_gives_other_points() -> None:
    assert not same(Bench("redox-probe", seed=8, speed=50.0).run(everything()))
