"""Autoranging: where the range goes, what it costs, and that cutting the samples changes nothing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol.program import Ranging
from luggin.sim.cell.api import Floats
from luggin.sim.models import MODELS, Range
from luggin.sim.ranging import DOWN, PATIENCE, UP, Place, Ranged, Ranges, Rule

MODEL = MODELS["bench"]
SCALES = [each.full_scale for each in MODEL.ranges]


def ranges(lower: float | None = None, upper: float | None = None, initial: float | None = None) -> Ranges:
    return Ranges(MODEL.ranges, MODEL.capability("test"), Ranging(lower=lower, upper=upper, initial=initial))


def follow(used: Ranges, place: Place, current: Floats, spacing: float = 0.1, automatic: bool = True) -> Ranged:
    def read(part: slice, within: Range) -> Floats:
        return np.clip(current[part], -1.1 * within.full_scale, 1.1 * within.full_scale)

    rule = Rule(used.lowest) if automatic else None
    return used.follow(place, spacing * np.arange(1.0, len(current) + 1), read, rule)[1]


def test_a_run_begins_in_the_initial_range_or_safely_in_the_largest() -> None:
    assert ranges(initial=1e-5).initial.index == SCALES.index(1e-5)
    assert ranges(upper=1e-4).initial.index == SCALES.index(1e-4)
    assert ranges().initial.index == len(SCALES) - 1


def test_a_current_too_large_moves_up_one_range_after_each_sample() -> None:
    used = ranges(initial=1e-7)
    ranged = follow(used, used.initial, np.full(6, 5e-5))
    assert [SCALES[k] for k in ranged.index] == [1e-7, 1e-6, 1e-5, 1e-4, 1e-4, 1e-4]
    assert ranged.reading[:3] == pytest.approx([1.1e-7, 1.1e-6, 1.1e-5])  # the converter's rail


def test_a_small_current_moves_down_only_after_several_samples() -> None:
    used = ranges(initial=1e-4)
    ranged = follow(used, used.initial, np.full(3 * PATIENCE, 3e-6))
    assert [SCALES[k] for k in ranged.index] == [1e-4] * PATIENCE + [1e-5] * (2 * PATIENCE)
    # One larger sample among them begins the counting anew.
    broken = np.full(2 * PATIENCE, 3e-6)
    broken[PATIENCE - 1] = 5e-5
    assert set(follow(used, used.initial, broken).index[:-1]) == {used.initial.index}


def test_limits_and_fixed_ranges_are_kept() -> None:
    used = ranges(lower=1e-6, upper=1e-5, initial=1e-5)
    assert follow(used, used.initial, np.full(20, 1e-3)).index.tolist() == [SCALES.index(1e-5)] * 20
    assert follow(used, used.initial, np.full(20, 1e-9)).index[-1] == SCALES.index(1e-6)
    fixed = ranges(lower=1e-5, upper=1e-5, initial=1e-5)
    assert set(follow(fixed, fixed.initial, np.geomspace(1e-9, 1e-3, 50)).index) == {SCALES.index(1e-5)}
    held = ranges(initial=1e-5)
    assert set(follow(held, held.initial, np.geomspace(1e-9, 1e-3, 50), automatic=False).index) == {SCALES.index(1e-5)}


def test_while_a_change_settles_samples_are_marked_and_nothing_is_decided() -> None:
    used = ranges(initial=1e-6)
    ranged = follow(used, used.initial, np.full(4000, 5e-6), spacing=1e-6)
    changed = SCALES.index(1e-5)
    assert ranged.index.tolist() == [changed - 1] + [changed] * 3999
    settles = MODEL.ranges[changed].settling
    assert int(ranged.settling.sum()) == pytest.approx(settles / 1e-6, abs=1)
    assert ranged.settling[1]
    assert not ranged.settling[-1]
    assert abs(ranged.reading[1]) > 5e-6  # what the change itself adds
    assert ranged.reading[-1] == 5e-6


def test_the_rule_leaves_a_gap_so_that_no_current_makes_it_hunt() -> None:
    for size in np.geomspace(1e-8, 1e-2, 200):
        used = ranges(initial=1e-5)
        index = follow(used, used.initial, np.full(60, size)).index
        assert len(set(index[30:].tolist())) == 1
    assert DOWN * 10 < UP


@given(
    powers=st.lists(st.floats(-9, -1), min_size=1, max_size=60),
    initial=st.sampled_from(SCALES),
    spacing=st.sampled_from([1e-5, 1e-3, 0.1]),
    cuts=st.lists(st.integers(0, 60), max_size=4),
)
def test_cutting_changes_nothing(powers: list[float], initial: float, spacing: float, cuts: list[int]) -> None:
    current = 10.0 ** np.array(powers)
    time = spacing * np.arange(1.0, len(current) + 1)
    used = ranges(initial=initial)

    def taken(first: int, after: int, place: Place) -> tuple[Place, Ranged]:
        def read(part: slice, within: Range) -> Floats:
            return np.clip(current[first:after][part], -within.full_scale, within.full_scale)

        return used.follow(place, time[first:after], read, Rule(used.lowest))

    end, whole = taken(0, len(current), used.initial)
    place, parts, first = used.initial, [], 0
    for after in [*sorted(cut for cut in cuts if cut < len(current)), len(current)]:
        if after > first:
            place, part = taken(first, after, place)
            parts.append(part)
        first = after
    assert place == end
    for name in ("reading", "index", "settling"):
        assert np.array_equal(np.concatenate([getattr(part, name) for part in parts]), getattr(whole, name))
