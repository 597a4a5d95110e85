"""Bounds of programs, and the check of a program against an instrument's ability."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from luggin.protocol.capability import Capability, Identity, check, nearest_range
from luggin.protocol.program import (
    Block,
    Couple,
    Ending,
    Hold,
    Limit,
    Limits,
    Open,
    Program,
    Ramp,
    Ranging,
    Until,
    bounds,
    sample_count,
)

ABLE = Capability(
    identity=Identity(maker="luggin", model="paper", serial="1", firmware="1"),
    segments=("open", "hold", "ramp"),
    controls=("potential",),
    potential_low=-2.0,
    potential_high=2.0,
    compliance=5.0,
    current_ranges=(1e-6, 1e-5, 1e-4, 1e-3),
    fastest_period=1e-3,
    steepest_sweep=10.0,
    streamed_rate=500.0,
    buffer=1000,
    columns=("time", "applied_potential", "current"),
    outputs=("stirrer",),
    floating=True,
    dead_man=True,
    largest_program=4096,
)


def program(*segments: Any, repeat: int = 1, **fields: Any) -> Program:
    limits = Limits(potential=Limit(low=-3, high=3), duration=1e6)
    block = Block(phase=0, segments=segments, repeat=repeat)
    return Program(technique="test", blocks=(block,), **{"limits": limits, **fields})


def test_counts_and_extents() -> None:
    given = program(
        Hold(level=0.1, duration=1.0, period=0.1),
        Ramp(start=0.1, end=-0.5, rate=0.1, period=0.01),
        Open(duration=2.0, period=None),
        repeat=3,
        ending=Ending(after_run="hold", potential=0.7, duration=5.0),
    )
    found = bounds(given)
    assert found.duration == pytest.approx(3 * (1 + 6 + 2) + 5)
    assert found.points == 3 * (10 + 600) + 5
    assert (found.potential_low, found.potential_high) == (-0.5, 0.7)
    assert found.current_low is None
    assert found.fastest_period == 0.01


def test_a_sweep_from_wherever_the_last_one_ended_is_bounded_by_its_longest_way() -> None:
    up = Ramp(start=0.0, end=1.0, rate=0.1, period=0.1, until=(Until(quantity="current", above=1e-3),))
    back = Ramp(start=None, end=0.0, rate=0.1, period=0.1)
    assert bounds(program(up, back)).duration == pytest.approx(20)


@given(st.integers(1, 10_000), st.floats(1e-5, 100.0))
def test_a_duration_of_n_periods_holds_n_points(n: int, period: float) -> None:
    assert sample_count(n * period, period) == n


def test_what_an_instrument_can_do_passes() -> None:
    assert check(program(Ramp(start=0.0, end=1.0, rate=0.1, period=0.01)), ABLE) == []


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (program(Hold(level=2.5, duration=1, period=0.1)), "the instrument applies -2 V to 2 V"),
        (program(Hold(level=-2.5, duration=1, period=0.1)), "the instrument applies -2 V to 2 V"),
        (program(Hold(control="current", level=1e-5, duration=1, period=0.1)), "can't control this quantity"),
        (program(Hold(control="current", level=1.0, duration=1, period=0.1)), "the largest range is 1 mA"),
        (program(Ramp(start=0, end=1, rate=50, period=1e-3)), "its steepest sweep is 10 V/s"),
        (program(Hold(level=0, duration=1, period=1e-4)), "its shortest is 0.001 s"),
        (program(Hold(level=0, duration=10, period=1e-3)), "faster programs may have 1000"),
        (program(Hold(level=0, duration=1, period=0.1, outputs={"gas": True})), "no such output; it has stirrer"),
        (program(Hold(level=0, duration=1, period=0.1), ranging=Ranging(upper=5e-3)), "no such range; it has 1 µA"),
        (
            program(Hold(control="current", level=-1e-5, duration=1, period=0.1), ranging=Ranging(upper=1e-6)),
            "the program forces -10 µA, which the largest allowed range does not hold",
        ),
        (program(Hold(level=0, duration=1, period=0.1, channel=2)), "no such electrode channel; it has 1"),
        (
            program(Hold(level=0, duration=1, period=0.1, second_electrode={"mode": "fixed", "level": 0.1})),
            "the instrument has no second working electrode; remove it",
        ),
        (program(Couple(duration=1, period=0.1)), "can't execute this kind of segment"),
        (
            program(Hold(level=0, duration=1, period=0.1), limits=Limits(potential=Limit(), duration=9)),
            "needs a potential window",
        ),
    ],
)
def test_names_the_limit_that_a_program_exceeds(given: Program, said: str) -> None:
    assert any(said in str(problem) for problem in check(given, ABLE)), check(given, ABLE)


def test_a_short_fast_program_fits_the_memory() -> None:
    assert check(program(Hold(level=0, duration=1, period=1e-3)), ABLE) == []


def test_a_range_is_known_by_its_full_scale() -> None:
    assert nearest_range(1.005e-5, ABLE) == 1
    assert nearest_range(2e-5, ABLE) is None


@pytest.mark.parametrize(
    "fields",
    [
        {"quantity": "current"},
        {"quantity": "current", "above": 1.0, "below": 0.0},
        {"quantity": "drift", "below": 1e-4},
        {"quantity": "drift", "above": 1e-4, "persistence": 1.0},
    ],
)
def test_an_end_condition_has_one_bound(fields: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Until(**fields)
