"""The measuring side: resolution, noise, flags, and what a lost reference looks like."""

import math
from typing import Any

import numpy as np
import pytest

from luggin.protocol.points import Flag
from luggin.protocol.program import Ranging
from luggin.sim.cell.api import Response
from luggin.sim.frontend import FrontEnd, Samples, Taken, averaging
from luggin.sim.models import MODELS
from luggin.sim.noise import Noise
from luggin.sim.ranging import Ranges

MODEL = MODELS["bench"]


def front(ideal: bool = False, seed: int = 1, **ranging: float) -> FrontEnd:
    ranges = Ranges(MODEL.ranges, MODEL.capability("test"), Ranging(**ranging))
    return FrontEnd(MODEL, ranges, None if ideal else Noise(seed, 1), 50, 298.15)


def response(current: Any, potential: float = 0.25, limited: bool = False) -> Response:
    current = np.asarray(current, dtype=float)
    level = np.full(len(current), potential)
    return Response(level, level, level, current, current * 0.1, 1.5 * level, np.full(len(current), limited))


def measure(end: FrontEnd, cell: Response, spacing: float = 0.1, **more: Any) -> Samples:
    time = spacing * np.arange(1.0, len(cell) + 1)
    asked = {"control": "potential", "automatic": True, **more}
    return end.measure(Taken(first=0, time=time, applied=cell.applied, spacing=spacing, **asked), cell)


def fixed(scale: float, **more: Any) -> FrontEnd:
    return front(**more, lower=scale, upper=scale, initial=scale)


def test_readings_have_the_resolution_of_their_range() -> None:
    for scale in (1e-6, 1e-3):
        for conversions in (1, 10):  # the mean of ten has steps a tenth as large
            spacing = conversions * MODEL.fastest_period
            current = measure(fixed(scale), response(np.full(200, 0.3 * scale)), spacing).current
            steps = current / (scale / MODEL.counts / conversions)
            assert np.abs(steps - np.rint(steps)).max() < 1e-6
            assert len(np.unique(steps)) > 5
            assert current == pytest.approx(np.full(200, 0.3 * scale), abs=4e-4 * scale)


def test_noise_falls_with_averaging_and_hum_goes_with_whole_mains_cycles() -> None:
    def spread(spacing: float) -> float:
        return float(measure(fixed(1e-6), response(np.zeros(4000)), spacing).current.std()) / 1e-6

    # Below a mains cycle the hum of 2e-5 of full scale dominates, which is 1.41e-5 rms.
    assert spread(1.1e-3) == pytest.approx(2e-5 / math.sqrt(2), rel=0.1)
    assert spread(20e-3) < 1e-5
    assert averaging(19e-3, 50) == 19e-3
    assert averaging(20e-3, 50) == 20e-3
    assert averaging(0.05, 60) == 3 / 60
    assert averaging(60.0, 50) == 5 / 50


def test_the_same_seed_gives_the_same_noise_and_another_one_does_not() -> None:
    def readings(seed: int) -> object:
        return measure(fixed(1e-6, seed=seed), response(np.zeros(50)), 1e-4).current.tolist()

    assert readings(1) == readings(1)
    assert readings(1) != readings(2)


def test_noise_belongs_to_the_number_of_a_sample() -> None:
    noise = Noise(5, 2)
    whole = noise(1000, 2000)
    assert np.array_equal(np.concatenate([noise(1000, 24), noise(1024, 1), noise(1025, 1975)]), whole)
    assert not np.array_equal(Noise(5, 3)(1000, 2000), whole)
    assert abs(whole.mean()) < 0.05
    assert whole.std() == pytest.approx(1.0, abs=0.05)


def test_an_ideal_instrument_reads_what_is_there_and_finds_its_range_at_once() -> None:
    current = np.array([1e-9, 3e-5, -2e-3, 5e-2])
    got = measure(front(ideal=True, lower=1e-6), response(current))
    assert got.current.tolist() == current.tolist()
    assert got.potential.tolist() == [0.25] * 4
    assert got.current_range.tolist() == [1e-6, 1e-4, 1e-2, 1e-2]
    assert got.flags.tolist() == [0, 0, 0, Flag.CURRENT_OVERLOAD]


def test_flags_say_what_a_reading_is_worth() -> None:
    end = fixed(1e-5)
    assert measure(end, response([5e-6])).flags.tolist() == [0]
    assert measure(end, response([1.05e-5, 1e-3])).flags.tolist() == [Flag.CURRENT_OVERLOAD] * 2
    assert measure(end, response([1e-9])).flags.tolist() == [Flag.UNDERLOAD]
    assert measure(end, response([5e-6], limited=True)).flags.tolist() == [Flag.CONTROL_OVERLOAD]
    settling = measure(front(initial=1e-6), response([5e-6] * 3), 1e-4).flags
    assert settling.tolist() == [Flag.CURRENT_OVERLOAD, Flag.SETTLING, Flag.SETTLING]


def test_an_open_cell_has_a_potential_and_no_current() -> None:
    got = measure(front(), response([0.0, 0.0]), control=None)
    assert got.flags.tolist() == [Flag.CELL_OPEN] * 2
    assert np.isnan(got.current).all()
    assert np.isnan(got.cell_voltage).all()
    assert got.potential == pytest.approx([0.25] * 2, abs=1e-3)


def test_cell_voltage_is_counter_against_working_electrode() -> None:
    assert measure(front(ideal=True), response([1e-5])).cell_voltage.tolist() == [-0.375]


def test_without_its_reference_the_reading_floats_to_the_rail_and_the_loop_is_overloaded() -> None:
    got = measure(front(), response(np.full(20, 1e-3)), lost=0.95)
    assert (got.flags[:9] == 0).all()
    assert (got.flags[9:] & Flag.CONTROL_OVERLOAD).all()
    assert got.potential[:9] == pytest.approx([0.25] * 9, abs=1e-3)
    assert (np.diff(got.potential[8:12]) > 0.01).all()
    assert got.potential[-1] > MODEL.window
    # Nothing depends on it when a current is controlled.
    assert not (measure(front(), response([1e-3]), lost=0.0, control="current").flags & Flag.CONTROL_OVERLOAD).any()


def test_a_current_is_controlled_in_a_range_that_holds_it() -> None:
    end = fixed(1e-6, ideal=True)
    end.prepare("current", 2e-4)
    assert measure(end, response([2e-4]), control="current", automatic=False).current_range.tolist() == [1e-3]
    end.prepare("potential", 0.5)
    assert measure(end, response([1e-7])).current_range.tolist() == [1e-6]
