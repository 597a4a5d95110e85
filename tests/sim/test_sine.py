"""Impedance on the bench: closed forms, the border to what is not stepped through, ranges, pauses, limits."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from luggin.daemon.analysis.kramers_kronig import kramers_kronig
from luggin.protocol.instrument import Activity, Outcome
from luggin.protocol.points import Array, Flag
from luggin.protocol.program import Block, Limit, Limits, Program, Ranging, Until, bounds
from luggin.sim.executor.sine import MOST_STEPS, PER_CYCLE
from support.bench import Bench, block, hold, program, sine
from support.cells import FARADAY, THERMAL

Complexes = NDArray[np.complex128]
SERIES, PARALLEL, CAPACITANCE = 1e3, 1e4, 1e-6


def ideal(cell: str = "dummy-r-rc") -> Bench:
    return Bench(cell, ideal=True, speed=1e5)


def spectrum(points: dict[str, Array]) -> tuple[NDArray[np.float64], Complexes]:
    """Frequency and impedance of the points that have them."""
    there = np.isfinite(points["frequency"])
    real, imaginary = (points[f"impedance_{part}"][there].astype(float) for part in ("real", "imaginary"))
    return points["frequency"][there].astype(float), real + 1j * imaginary


def dummy(frequency: NDArray[np.float64]) -> Complexes:
    return np.asarray(SERIES + 1 / (1 / PARALLEL + 2j * np.pi * frequency * CAPACITANCE), dtype=complex)


def close(found: Complexes, expected: Complexes, share: float = 1e-3, degrees: float = 0.1) -> bool:
    ratio = found / expected
    return bool((np.abs(np.abs(ratio) - 1) < share).all() and (np.abs(np.degrees(np.angle(ratio))) < degrees).all())


# Against circuit theory, in closed form


@pytest.mark.parametrize("control", ["potential", "current"])
@pytest.mark.parametrize("seconds", [0.0, 0.1])
def test_the_dummy_cell_has_its_impedance(control: str, seconds: float) -> None:
    """R + (R || C) in closed form, within 0.1 % and 0.1 degree from 50 mHz to 100 kHz, stepped through or not."""
    wanted = sine(
        *np.geomspace(1e5, 0.05, 20),
        control=control,
        amplitude=0.01 if control == "potential" else 1e-6,
        measure_seconds=seconds,
    )
    points = ideal().run(program(hold(0.0, 0.5, None, control=control), wanted))
    frequency, impedance = spectrum(points)
    assert len(frequency) == 20
    assert close(impedance, dummy(frequency))
    assert (points["flags"] == 0).all()
    assert np.isnan(points["applied_potential"]).all() == (control == "current")


def test_a_realistic_instrument_measures_it_to_a_few_tenths_of_a_percent_in_ranges_that_it_finds() -> None:
    wanted = sine(*np.geomspace(1e5, 0.5, 25), amplitude=0.02, measure_seconds=0.1)
    points = Bench(speed=1e5).run(program(hold(0.0, 0.5, None), wanted, ranging=Ranging(lower=1e-7, initial=1e-3)))
    frequency, impedance = spectrum(points)
    assert close(impedance, dummy(frequency), 5e-3, 0.2)
    assert not close(impedance, dummy(frequency), 1e-6, 1e-4)  # it is not the ideal one
    assert (points["flags"] == 0).all()
    swing = 0.02 / np.abs(impedance)
    assert (swing < points["current_range"]).all()
    assert (swing > 0.05 * points["current_range"]).all()
    assert len(np.unique(points["current_range"])) > 1


@pytest.mark.parametrize("cell", ["randles", "monolayer", "corroding", "redox-probe", "paracetamol"])
def test_stepping_and_linearised_response_agree_at_the_border(cell: str) -> None:
    """A small amplitude at one frequency: once so that its cycles are stepped through, once just not."""
    bias = {"corroding": -0.55, "monolayer": 0.15}.get(cell, 0.23)
    at_rest = hold(bias, 60.0, None)
    few = sine(90.0, bias=bias, amplitude=1e-3, settle_cycles=4, measure_cycles=10)
    many = sine(90.0, bias=bias, amplitude=1e-3, settle_cycles=4, measure_cycles=40)
    assert 14 * PER_CYCLE < MOST_STEPS < 44 * PER_CYCLE
    found = [spectrum(ideal(cell).run(program(at_rest, each)))[1] for each in (few, many)]
    assert close(found[0], found[1])


def test_a_drift_of_the_current_does_not_spoil_it() -> None:
    """Half a second after a step into the limiting current, which still falls (Cottrell)."""
    wanted = sine(5.0, bias=0.25, amplitude=2e-3)
    steady = spectrum(ideal("redox-probe").run(program(hold(0.25, 60.0, None), wanted)))[1]
    drifting = spectrum(ideal("redox-probe").run(program(hold(0.25, 2.0, None), wanted)))[1]
    assert abs(drifting[0] / steady[0] - 1) < 0.02


def test_randles_circuit_of_the_shipped_cell() -> None:
    """Charge-transfer resistance RT/(F2 A k0 c), Warburg coefficient 4 RT/(F2 A c sqrt(2 D))/2 (Bard & Faulkner, 2nd
    ed., ch. 10, from memory), and the linear Kramers-Kronig test (Boukamp, J. Electrochem. Soc. 142 (1995) 1885)."""
    area, concentration, diffusion, rate = 7.0686e-6, 5.0, 7e-10, 5e-5
    wanted = sine(*np.geomspace(1e5, 0.1, 37), bias=0.25, amplitude=2e-3)
    frequency, found = spectrum(ideal("randles").run(program(hold(0.25, 60.0, None), wanted)))
    transfer = THERMAL / (FARADAY * area * rate * concentration)
    warburg = 2 * THERMAL / (FARADAY * area * concentration * np.sqrt(2 * diffusion))
    omega = 2 * np.pi * frequency
    expected = 100 + 1 / (1j * omega * 2e-6 + 1 / (transfer + warburg * (1 - 1j) / np.sqrt(omega)))
    assert close(found, expected, 2e-3, 0.15)
    assert np.abs(kramers_kronig(frequency, found).residual_real).max() < 1e-3


# What else a point says, and where


def test_a_point_has_the_means_of_its_cycles_and_the_time_at_which_it_was_done() -> None:
    wanted = sine(100.0, 1.0, bias=0.11, amplitude=0.01)
    points = ideal().run(program(hold(0.11, 1.0), wanted))
    assert "impedance_real" in points
    assert np.isnan(points["frequency"][:10]).all()
    assert points["time"][10:] == pytest.approx([1.0 + 5 / 100, 1.0 + 5 / 100 + 5.0])
    for name, value in {"applied_potential": 0.11, "potential": 0.11, "current": 0.11 / 11e3}.items():
        assert points[name][10:] == pytest.approx([value, value], rel=1e-5), name


def test_a_sine_without_a_bias_swings_about_the_level_that_stands() -> None:
    points = ideal().run(program(hold(0.3, 0.5), sine(10.0, bias=None)))
    assert points["applied_potential"][-1] == pytest.approx(0.3)


def test_under_current_control_the_range_stays_however_small_the_answer() -> None:
    wanted = sine(*np.geomspace(1e3, 1.0, 7), control="current", bias=0.0, amplitude=3e-6)
    points = Bench(speed=1e5).run(program(hold(0.0, 0.5, None, control="current"), wanted))
    assert (points["current_range"] == np.float32(1e-5)).all()
    fixed = Ranging(lower=1e-4, upper=1e-4, initial=1e-4)
    points = Bench(speed=1e5).run(program(hold(0.0, 0.5, None, control="current"), wanted, ranging=fixed))
    assert (points["current_range"] == np.float32(1e-4)).all()


def test_a_current_too_large_for_the_largest_allowed_range_is_flagged() -> None:
    narrow = Ranging(lower=1e-7, upper=1e-6, initial=1e-6)
    points = Bench(speed=1e5).run(program(hold(0.0, 0.5, None), sine(1e3, 100.0, amplitude=0.1), ranging=narrow))
    assert ((points["flags"] & Flag.CURRENT_OVERLOAD) != 0).all()


def test_a_current_far_below_the_smallest_allowed_range_is_flagged() -> None:
    wide = Ranging(lower=1e-2, upper=1e-2, initial=1e-2)
    points = Bench(speed=1e5).run(program(hold(0.0, 0.5, None), sine(10.0, amplitude=0.01), ranging=wide))
    assert points["flags"].tolist() == [Flag.UNDERLOAD]


def test_beyond_the_compliance_voltage_the_control_is_overloaded() -> None:
    wanted = sine(1e4, control="current", bias=0.0, amplitude=2e-3, measure_seconds=0.1)
    limits = Limits(potential=Limit(low=-50, high=50), duration=1e6, control_overload=10.0)
    points = ideal("dummy-resistor").run(program(hold(0.0, 0.5, None, control="current"), wanted, limits=limits))
    assert points["flags"].tolist() == [Flag.CONTROL_OVERLOAD]


# How it ends and pauses


frequencies = st.lists(st.sampled_from([0.3, 2.0, 50.0, 700.0, 2e4]), min_size=1, max_size=4)


@given(frequencies, st.integers(0, 3), st.integers(1, 4), st.sampled_from([0.0, 0.05]), st.integers(1, 2))
@settings(max_examples=15, deadline=None)
def test_a_full_run_makes_just_what_its_bounds_say(
    given_frequencies: list[float], settle: int, measure: int, seconds: float, repeat: int
) -> None:
    wanted = sine(*given_frequencies, settle_cycles=settle, measure_cycles=measure, measure_seconds=seconds)
    whole = program(block(hold(0.0, 0.1, None), wanted, repeat=repeat))
    bench = ideal()
    points = bench.run(whole)
    assert bench.status().outcome is Outcome.COMPLETED
    assert bench.status().next == bounds(whole).points == repeat * len(given_frequencies)
    assert bench.status().run_time == pytest.approx(bounds(whole).duration, rel=1e-9)
    assert (np.diff(points["time"]) > 0).all()
    assert np.isfinite(points["impedance_real"]).all()


def paused(pause: str) -> Block:
    return block(sine(20.0, 10.0, 5.0, bias=0.1), pause=pause)


def test_an_operator_may_pause_between_two_frequencies() -> None:
    bench = Bench(ideal=True, speed=10.0)
    bench.start(program(paused("between-segments")))
    bench.device.hold()
    assert bench.status().activity is Activity.RUNNING
    bench.pass_time(0.5)
    assert bench.status().activity is Activity.HELD
    assert np.isfinite(bench.points()["frequency"]).sum() == 1
    bench.device.unhold(bench.device.clock(bench.now), bench.now)
    assert bench.finish().outcome is Outcome.COMPLETED
    points = bench.points()
    frequency, impedance = spectrum(points)
    assert frequency.tolist() == [20.0, 10.0, 5.0]
    assert close(impedance, dummy(frequency))
    held = points["cycle"] == 0
    assert points["applied_potential"][held] == pytest.approx(np.full(held.sum(), 0.1), abs=1e-6)
    assert ((points["flags"] & Flag.HELD) != 0).tolist() == [False] + [True] * (held.sum() + 2)


def test_where_no_frequency_is_left_there_is_no_place_to_pause() -> None:
    bench = Bench(ideal=True, speed=10.0)
    bench.start(program(block(sine(20.0, 0.5), pause="any-time")))
    bench.device.hold()
    bench.pass_time(0.1)
    assert bench.status().activity is Activity.HELD
    bench.device.unhold(bench.device.clock(bench.now), bench.now)
    with pytest.raises(Exception, match="no place from here on"):
        bench.device.hold()


def test_a_condition_ends_the_whole_sine_and_charge_counts_through_its_frequencies() -> None:
    """0.11 V across 11 kohm: 10 uA; at 100 ms a frequency, 35 uC have passed within the fourth."""
    slow = sine(*[50.0] * 8, bias=0.11, amplitude=1e-3, settle_cycles=2, measure_cycles=3)
    charged = slow.model_copy(update={"until": (Until(quantity="charge", above=3.5e-6),)})
    points = ideal().run(program(hold(0.11, 1.0, None), charged, hold(0.0, 0.2)))
    assert np.isfinite(points["frequency"]).sum() == 3
    assert points["time"][3] == pytest.approx(1.35 + 0.1, abs=5e-3)


def test_limits_are_watched_within_a_sine() -> None:
    limits = Limits(potential=Limit(low=-1.0, high=1.0), current=Limit(hard_high=2e-5), duration=1e6)
    for frequency in (1.0, 1e4):
        bench = ideal()
        bench.run(program(hold(0.0, 0.5, None), sine(frequency, amplitude=0.5, measure_seconds=1.0), limits=limits))
        assert bench.status().outcome is Outcome.LIMIT
        assert "current" in bench.status().detail
        assert bench.status().run_time < 1.5


# Nothing depends on how time is cut


def everything() -> Program:
    ended = Until(quantity="charge", below=-1e-5)
    return program(
        block(hold(0.2, 1.0), sine(2e4, 300.0, 20.0, bias=0.2, amplitude=5e-3, measure_seconds=0.02)),
        block(sine(40.0, 4.0, 9.0, bias=0.1, amplitude=5e-3, until=(ended,)), phase=1),
        ranging=Ranging(lower=1e-7, upper=1e-3, initial=1e-4),
    )


@cache
def uncut() -> dict[str, Array]:
    return Bench("redox-probe", speed=50.0).run(everything())


@settings(max_examples=4, deadline=None)
@given(step=st.floats(5e-3, 1.0), most=st.lists(st.integers(30, 600), min_size=1, max_size=5))
def test_cutting_changes_nothing(step: float, most: list[int]) -> None:
    whole = uncut()
    bench, turn = Bench("redox-probe", speed=50.0), 0
    bench.start(everything())
    while bench.status().outcome is None:
        bench.pass_time(step, most[turn % len(most)])
        turn += 1
    cut = bench.points()
    assert all(cut[name].tobytes() == whole[name].tobytes() for name in whole)


def test_impedance_measures_the_state_that_a_cell_is_in() -> None:
    """A hold that wears a monolayer of its charge changes what is measured after it."""
    at = (sine(10.0, bias=bias, amplitude=2e-3) for bias in (0.15, 0.5))
    peak, foot = (spectrum(ideal("monolayer").run(program(hold(w.bias or 0, 10.0, None), w)))[1][0] for w in at)
    assert abs(peak) < 0.2 * abs(foot)
