"""Safety limits against a point-by-point reading of their rules, and whatever the cutting of the points."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.limits import LONGEST_SETTLING, LimitState, Violation, check
from luggin.protocol.points import Batch, Flag, batch
from luggin.protocol.program import Block, Hold, Limit, Limits, Program

WINDOW = Limit(low=-0.5, high=0.5, hard_low=-2.0, hard_high=2.0, persistence=0.1)


def program(**limits: Any) -> Program:
    limits = {"potential": WINDOW, "duration": 1000.0, **limits}
    hold = Hold(level=0.0, duration=10.0, period=0.01)
    return Program(technique="chronoamperometry", blocks=(Block(phase=0, segments=(hold,)),), limits=Limits(**limits))


def points(first: int = 0, period: float = 0.01, **columns: Any) -> Batch:
    count = max(len(c) for c in columns.values())
    time = (first + 1 + np.arange(count)) * period
    return batch("run", "boot", first, {"time": time, **columns})


def violation(given_batch: Batch, **limits: Any) -> Violation | None:
    return check(LimitState(), given_batch, program(**limits))[1]


def test_values_within_their_windows_pass() -> None:
    assert violation(points(potential=[0.0, 0.5, -0.5], current=[1e-6, 2e-6, 0])) is None


def test_a_level_held_exactly_at_its_limit_is_not_beyond_it() -> None:
    # 0.6 as a 4-byte number is above 0.6 as an 8-byte number.
    window = Limit(low=0.0, high=0.6, persistence=0.1)
    assert violation(points(potential=[0.6] * 100), potential=window) is None


def test_a_single_outlier_trips_nothing_however_far_apart_the_points_are() -> None:
    assert violation(points(period=5.0, potential=[0.0, 0.9, 0.0, 0.9, 0.0])) is None


def test_an_excursion_trips_once_it_has_lasted_the_persistence() -> None:
    found = violation(points(potential=[0.0] * 5 + [0.75] * 20))
    assert found is not None
    assert (found.quantity, found.index, found.limit) == ("potential", 15, 0.5)
    assert found.value == pytest.approx(0.75)
    assert found.time == pytest.approx(0.16)
    assert found.sentence == ("potential 750 mV is above its limit for 0.1 s; the limit is 500 mV (point 15 at 0.16 s)")


def test_an_excursion_below_names_the_lower_edge() -> None:
    found = violation(points(potential=[-0.75] * 20))
    assert found is not None
    assert found.limit == -0.5
    assert "below" in found.sentence


def test_an_excursion_is_timed_by_the_instrument_across_batches() -> None:
    state, found = check(LimitState(), points(potential=[0.75] * 6), program())
    assert found is None
    _, found = check(state, points(first=6, potential=[0.75] * 6), program())
    assert found is not None
    assert found.index == 10


def test_coming_back_inside_ends_an_excursion() -> None:
    assert violation(points(potential=([0.75] * 9 + [0.0]) * 10)) is None


def test_persistence_zero_trips_at_the_first_point() -> None:
    found = violation(points(current=[0.0, 2e-3]), current=Limit(high=1e-3))
    assert found is not None
    assert found.index == 1


def test_a_hard_limit_trips_on_one_point() -> None:
    found = violation(points(potential=[0.0, 2.5, 0.0]))
    assert found is not None
    assert (found.index, found.limit) == (1, 2.0)
    assert "hard limit" in found.sentence


@pytest.mark.parametrize("level", [0.75, 2.5, 9.9])
def test_settling_points_trip_nothing(level: float) -> None:
    assert violation(points(potential=[level] * 50, flags=[Flag.SETTLING] * 50)) is None


def test_settling_neither_starts_nor_ends_an_excursion() -> None:
    flags = [0] * 5 + [Flag.SETTLING] * 5 + [0] * 5
    found = violation(points(potential=[0.75] * 5 + [0.0] * 5 + [0.75] * 5, flags=flags))
    assert found is not None
    assert found.index == 10


def test_settling_without_end_is_not_believed() -> None:
    count = int(LONGEST_SETTLING / 0.125) + 20
    found = violation(points(period=0.125, potential=[0.75] * count, flags=[Flag.SETTLING] * count))
    assert found is not None
    assert found.time == pytest.approx(0.125 + LONGEST_SETTLING + 0.125)


def test_potential_and_current_are_not_limited_at_open_circuit() -> None:
    opened = points(potential=[3.0] * 30, current=[1.0] * 30, flags=[Flag.CELL_OPEN] * 30)
    assert violation(opened, current=Limit(high=1e-3, hard_high=1e-2)) is None


def test_open_circuit_ends_an_excursion() -> None:
    flags = [0] * 9 + [Flag.CELL_OPEN] * 9 + [0] * 9
    assert violation(points(potential=[0.75] * 27, flags=flags)) is None


def test_temperature_is_limited_whatever_the_flags() -> None:
    hot = points(temperature=[340.0] * 20, flags=[Flag.CELL_OPEN | Flag.SETTLING] * 20)
    found = violation(hot, temperature=Limit(high=330.0, persistence=0.1))
    assert found is not None
    assert found.quantity == "temperature"


def test_cell_voltage_is_limited() -> None:
    found = violation(points(cell_voltage=[-11.0] * 3), cell_voltage=Limit(hard_low=-10.0, hard_high=10.0))
    assert found is not None
    assert (found.quantity, found.limit) == ("cell voltage", -10.0)


@pytest.mark.parametrize("column", ["current", "forward_current", "reverse_current"])
def test_each_current_of_a_pulse_is_limited(column: str) -> None:
    columns: dict[str, Any] = {
        "current": [0.0] * 3,
        "forward_current": [0.0] * 3,
        "reverse_current": [0.0] * 3,
        column: [-2e-3] * 3,
    }
    found = violation(points(**columns), current=Limit(low=-1e-3, high=1e-3))
    assert found is not None
    assert found.quantity == "current"


def test_a_value_that_is_no_number_counts_as_outside() -> None:
    assert violation(points(potential=[0.0, np.nan, 0.0])) is None
    found = violation(points(potential=[np.nan] * 20))
    assert found is not None
    assert found.sentence.startswith("potential could not be measured for 0.1 s")


def test_points_without_pulses_have_no_currents_of_pulses() -> None:
    nothing = [np.nan] * 20
    plain = points(current=[0.0] * 20, forward_current=nothing, reverse_current=nothing)
    assert violation(plain, current=Limit(low=-1e-3, high=1e-3)) is None


def test_a_hard_limit_alone_says_nothing_of_what_is_no_number() -> None:
    assert violation(points(potential=[np.nan] * 20), potential=Limit(hard_low=-2.0, hard_high=2.0)) is None


def test_infinity_is_beyond_a_hard_limit() -> None:
    found = violation(points(potential=[0.0, -np.inf]))
    assert found is not None
    assert found.index == 1


def test_columns_that_are_not_measured_are_not_checked() -> None:
    assert violation(points(current=[0.0] * 20), temperature=Limit(high=300.0), cell_voltage=Limit(high=1.0)) is None


def test_control_overload_trips_after_its_time() -> None:
    flags = [Flag.CONTROL_OVERLOAD] * 5 + [0] + [Flag.CONTROL_OVERLOAD] * 20
    found = violation(points(potential=[0.0] * 26, flags=flags), control_overload=0.095)
    assert found is not None
    assert (found.quantity, found.index) == ("control loop", 16)


def test_control_overload_while_a_step_settles_trips_nothing() -> None:
    flags = [Flag.CONTROL_OVERLOAD | Flag.SETTLING] * 30
    assert violation(points(potential=[0.0] * 30, flags=flags)) is None


def test_duration() -> None:
    found = violation(points(period=1.0, potential=[0.0] * 10), duration=7.0)
    assert found is not None
    assert (found.quantity, found.index) == ("duration", 7)


def test_charge_column_is_taken_as_it_is() -> None:
    found = violation(points(charge=[0.0, 1e-3, 3e-3], current=[9.0] * 3), charge=Limit(high=2e-3))
    assert found is not None
    assert (found.quantity, found.index) == ("charge", 2)


def test_charge_is_integrated_from_the_current_where_the_instrument_does_not() -> None:
    # Faraday's law by hand: 1 mA for 1 s is 1 mC; the first point only opens the first period.
    flowing = points(period=1.0, current=[1e-3] * 10)
    found = violation(flowing, charge=Limit(high=4.5e-3))
    assert found is not None
    assert found.index == 5
    assert found.value == pytest.approx(5e-3)


def test_integrated_charge_starts_again_with_each_phase_and_cycle() -> None:
    flowing = points(period=1.0, current=[1e-3] * 12, phase=[0] * 4 + [1] * 8, cycle=[1] * 8 + [2] * 4)
    assert violation(flowing, charge=Limit(high=4.5e-3)) is None


def test_charge_does_not_flow_at_open_circuit() -> None:
    flags = [Flag.CELL_OPEN] * 10
    assert violation(points(period=1.0, current=[1.0] * 10, flags=flags), charge=Limit(high=1e-3)) is None


def test_the_earliest_violation_is_reported() -> None:
    both = points(potential=[0.0] * 8 + [3.0], current=[0.0] * 4 + [1.0] * 5)
    found = violation(both, current=Limit(high=0.5))
    assert found is not None
    assert (found.quantity, found.index) == ("current", 4)


# --- properties -------------------------------------------------------------------------------------------------------

LIMITS = program(
    potential=WINDOW,
    current=Limit(low=-1e-3, high=1e-3, hard_low=-1e-2, hard_high=1e-2, persistence=0.05),
    charge=Limit(low=-2e-4, high=2e-4, persistence=0.02),
    temperature=Limit(high=330.0, persistence=0.04),
    control_overload=0.06,
    duration=2.0,
)
LEVELS = st.sampled_from([0.0, 0.1, 0.499, 0.51, -0.6, 1.9, float("nan")])
FLAGS = st.sampled_from([0, 0, 0, 0, Flag.SETTLING, Flag.CELL_OPEN, Flag.CONTROL_OVERLOAD, 9])


@st.composite
def recordings(draw: st.DrawFn) -> Batch:
    # Runs of equal values make excursions last; rare changes make them end.
    pieces = draw(st.lists(st.tuples(st.integers(1, 12), LEVELS, LEVELS, FLAGS), min_size=1, max_size=12))
    repeat = [length for length, *_ in pieces]
    gaps = draw(st.lists(st.sampled_from([0.005, 0.01, 0.03, 0.7]), min_size=sum(repeat), max_size=sum(repeat)))
    columns = {
        "time": np.cumsum(gaps),
        "potential": np.repeat([p for _, p, _, _ in pieces], repeat),
        "current": np.repeat([c * 2e-3 for _, _, c, _ in pieces], repeat),
        "temperature": np.repeat([300 + 20 * abs(p) for _, p, _, _ in pieces], repeat),
        "phase": np.repeat(np.arange(len(pieces)) // 3, repeat),
        "flags": np.repeat([int(f) for *_, f in pieces], repeat),
    }
    return batch("run", "boot", draw(st.integers(0, 5)), columns)


@given(recordings(), st.data())
@settings(max_examples=150)
def test_the_verdict_does_not_depend_on_how_the_points_are_cut(whole: Batch, data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.sets(st.integers(whole.first, whole.after), max_size=8)) | {whole.first, whole.after})
    state, at_once = check(LimitState(), whole, LIMITS)
    pieced, found = LimitState(), None
    for first, after in pairwise(cuts):
        piece = whole.cut(first, after)
        assert piece is not None
        pieced, each = check(pieced, piece, LIMITS)
        found = found or each
    assert repr(found) == repr(at_once)  # NaN values compare by their text
    assert pieced == state


@given(recordings())
@settings(max_examples=150)
def test_the_verdict_is_that_of_a_point_by_point_reading_of_the_rules(recording: Batch) -> None:
    found = check(LimitState(), recording, LIMITS)[1]
    expected = _one_by_one(recording)
    assert (None if found is None else found.index) == expected


def _one_by_one(recording: Batch) -> int | None:
    """The rules of the limits, read literally: an index or None."""
    since: dict[str, float] = {}
    charge, before, division = 0.0, float(recording.columns["time"][0]), int(recording.columns["phase"][0])
    limits = LIMITS.limits
    for at in range(recording.count):
        index = recording.first + at
        point = {name: column[at] for name, column in recording.columns.items()}
        now, flags = float(point["time"]), Flag(int(point["flags"]))
        opened = Flag.CELL_OPEN in flags
        if int(point["phase"]) != division:
            charge, division = 0.0, int(point["phase"])
        charge += 0.0 if opened or np.isnan(point["current"]) else float(point["current"]) * (now - before)
        before = now
        if Flag.SETTLING in flags:
            since.setdefault("settling", now)
        else:
            since.pop("settling", None)
        settling = "settling" in since and now - since["settling"] < LONGEST_SETTLING
        tripped = now > limits.duration
        for name, value, limit in (
            ("potential", point["potential"], limits.potential),
            ("current", point["current"], limits.current),
            ("charge", np.float64(charge), limits.charge),
            ("temperature", point["temperature"], limits.temperature),
        ):
            if settling and name != "temperature":
                continue
            value_type = value.dtype.type
            outside = np.isnan(value) or not _inside(value, limit.low, limit.high, value_type)
            if outside and not (opened and name != "temperature"):
                since.setdefault(name, now)
                tripped |= now - since[name] >= limit.persistence
                tripped |= not np.isnan(value) and not _inside(value, limit.hard_low, limit.hard_high, value_type)
            else:
                since.pop(name, None)
        if not settling:
            if Flag.CONTROL_OVERLOAD in flags and not opened:
                since.setdefault("control", now)
                tripped |= now - since["control"] > limits.control_overload
            else:
                since.pop("control", None)
        if tripped:
            return index
    return None


def _inside(value: Any, low: float | None, high: float | None, rounded: Any) -> bool:
    return bool((low is None or value >= rounded(low)) and (high is None or value <= rounded(high)))
