"""End conditions: when they are met, and that cutting the samples changes nothing."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol.conditions import Conditions
from luggin.protocol.points import Array, Flag
from luggin.protocol.program import Until
from luggin.sim.frontend import Samples

SPACING = 0.1


def samples(count: int, **columns: Any) -> Samples:
    nothing = np.full(count, np.nan)
    given = {
        name: np.broadcast_to(np.asarray(value, float), count) for name, value in columns.items() if name != "flags"
    }
    flags = np.broadcast_to(np.asarray(columns.get("flags", 0), np.uint16), count)
    rest = ("time", "applied", "potential", "current", "current_range", "cell_voltage", "charge", "temperature")
    return Samples(**{name: given.get(name, nothing) for name in rest}, flags=flags)


def met(until: Until, count: int, charge: Array | float = 0.0, **columns: Any) -> int | None:
    time = SPACING * np.arange(1.0, count + 1)
    found = Conditions((until,), SPACING).met(time, samples(count, **columns), np.broadcast_to(charge, count))
    return None if found is None else found[0]


def test_a_bound_is_crossed_at_the_first_sample_beyond_it() -> None:
    rising = np.linspace(0, 1, 11)
    assert met(Until(quantity="current", above=0.55), 11, current=rising) == 6
    assert met(Until(quantity="current", below=-0.55), 11, current=-rising) == 6
    assert met(Until(quantity="current-magnitude", above=0.55), 11, current=-rising) == 6
    assert met(Until(quantity="potential", above=0.55), 11, potential=rising) == 6
    assert met(Until(quantity="charge", below=-0.55), 11, charge=-rising) == 6
    assert met(Until(quantity="current", above=1.0), 11, current=rising) is None


def test_persistence_wants_it_without_a_break() -> None:
    current = np.array([2, 2, 0, 2, 2, 2, 2, 2, 0, 2], dtype=float)
    assert met(Until(quantity="current", above=1.0, persistence=0.3), 10, current=current) == 6
    assert met(Until(quantity="current", above=1.0, persistence=0.5), 10, current=current) is None


def test_nothing_is_looked_at_before_its_time() -> None:
    assert met(Until(quantity="current", above=1.0, not_before=0.5), 10, current=2.0) == 4
    # Persistence begins to count there as well.
    assert met(Until(quantity="current", above=1.0, not_before=0.5, persistence=0.2), 10, current=2.0) == 6


def test_a_share_is_of_the_first_valid_current() -> None:
    current = np.array([99.0, -10, -8, -6, -4, -2, -1, -0.5])
    flags = [Flag.SETTLING] + [0] * 7
    assert met(Until(quantity="share", below=0.25), 8, current=current, flags=flags) == 5
    assert met(Until(quantity="share", below=0.25), 8, current=0.0) is None


def test_settling_samples_are_passed_over() -> None:
    flags = [0, Flag.SETTLING, 0, 0]
    assert met(Until(quantity="current", above=1.0), 4, current=[0, 5, 0, 0], flags=flags) is None
    assert met(Until(quantity="current", above=1.0, persistence=0.2), 4, current=[2, 0, 2, 2], flags=flags) == 2


def test_not_a_number_meets_nothing() -> None:
    assert met(Until(quantity="current", above=-1e9), 5) is None
    assert met(Until(quantity="current", below=1e9), 5) is None


def test_drift_is_a_slope_over_the_whole_window() -> None:
    time = SPACING * np.arange(1.0, 101)
    settling = 0.01 * np.exp(-time / 2)  # its slope falls below 1 mV/s at 2 ln 5 = 3.2 s
    until = Until(quantity="drift", below=1e-3, persistence=1.0)
    at = met(until, 100, potential=settling)
    assert at is not None
    window = slice(at - 10, at + 1)
    assert abs(np.polyfit(time[window], settling[window], 1)[0]) < 1e-3
    before = slice(at - 11, at)
    assert abs(np.polyfit(time[before], settling[before], 1)[0]) >= 1e-3
    assert met(until, 9, potential=0.0) is None  # less than a window says nothing
    assert met(until, 10, potential=0.0) == 9


def test_a_long_window_is_thinned_and_still_sees_the_slope() -> None:
    count = 20_000
    time = 1e-3 * np.arange(1.0, count + 1)
    until = Until(quantity="drift", below=1.0, persistence=10.0)
    conditions = Conditions((until,), 1e-3)
    found = conditions.met(time, samples(count, potential=2.0 * time), np.zeros(count))
    assert found is None
    found = Conditions((until,), 1e-3).met(time, samples(count, potential=0.5 * time), np.zeros(count))
    assert found is not None
    assert time[found[0]] == pytest.approx(10.0, abs=0.1)


quantities = st.sampled_from(["current", "current-magnitude", "charge", "potential", "share", "drift"])


@given(
    quantity=quantities,
    bound=st.floats(-1, 1),
    upwards=st.booleans(),
    persistence=st.sampled_from([0.0, 0.1, 0.35]),
    not_before=st.sampled_from([0.0, 0.42]),
    values=st.lists(st.floats(-2, 2), min_size=1, max_size=40),
    flags=st.lists(st.sampled_from([0, 0, 0, int(Flag.SETTLING)]), min_size=40, max_size=40),
    cuts=st.lists(st.integers(0, 40), max_size=4),
)
def test_cutting_changes_nothing(
    quantity: Any,
    bound: float,
    upwards: bool,
    persistence: float,
    not_before: float,
    values: list[float],
    flags: list[int],
    cuts: list[int],
) -> None:
    if quantity == "drift":
        upwards, persistence = False, persistence or 0.5
    until = Until(
        quantity=quantity,
        above=bound if upwards else None,
        below=None if upwards else bound,
        persistence=persistence,
        not_before=not_before,
    )
    count = len(values)
    column = np.array(values)
    whole = samples(count, current=column, potential=column, flags=flags[:count])
    time = SPACING * np.arange(1.0, count + 1)
    expected = Conditions((until,), SPACING).met(time, whole, column)
    conditions, found, first = Conditions((until,), SPACING), None, 0
    for after in [*sorted(cut for cut in cuts if cut < count), count]:
        if after > first and found is None:
            part = slice(first, after)
            at = conditions.met(time[part], whole[part], column[part])
            found = None if at is None else (first + at[0], at[1])
        first = after
    assert found == expected
