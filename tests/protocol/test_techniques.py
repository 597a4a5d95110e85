"""What techniques compile to, against the definitions of the trade (IUPAC, Pure Appl. Chem. 92 (2020) 641)."""

import itertools
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol import document, method, techniques
from luggin.protocol.problem import DocumentError
from luggin.protocol.profile import course
from luggin.protocol.program import Hold, Open, Program, Pulses, Ramp, Sine, bounds
from luggin.protocol.techniques.impedance import spaced


def compiled(name: str, **changes: Any) -> Program:
    found = techniques.find(name)
    assert found is not None
    given = document.read(found.example)
    next(phase for phase in given["phases"] if phase["phase"] == "measure").update(changes)
    return method.compile_method(method.parse(given))


def measured(program: Program) -> list[Any]:
    """Segments of the last block that an orderly stop leaves out: the measurement."""
    return list([b for b in program.blocks if not b.on_stop][-1].segments)


def test_square_wave_amplitude_is_half_peak_to_peak_and_leads_in_the_scan_direction() -> None:
    (train,) = measured(compiled("SWV"))
    forward, reverse = train.pulses
    assert (forward.offset, reverse.offset) == (0.025, -0.025)
    assert forward.duration == reverse.duration == pytest.approx(1 / 30)
    assert forward.sample_to - forward.sample_from == pytest.approx(5e-3)
    assert train.difference
    assert train.count == 151
    (down,) = measured(compiled("SWV", initial_potential="0.7 V", final_potential="0.1 V"))
    assert down.pulses[0].offset == -0.025
    assert down.step == -0.004


def test_differential_pulses_sample_before_and_at_the_end_of_each_pulse() -> None:
    (train,) = measured(compiled("DPV"))
    before, pulse = train.pulses
    assert (before.record, pulse.record) == ("reverse", "forward")
    assert before.duration + pulse.duration == pytest.approx(0.2)
    assert before.sample_to == before.duration
    assert pulse.sample_to == pulse.duration == 0.05
    assert pulse.offset == 0.05


def test_normal_pulses_start_from_the_initial_potential() -> None:
    (train,) = measured(compiled("NPV"))
    wait, pulse = train.pulses
    assert wait.from_start
    assert not pulse.from_start
    assert not train.difference


def test_a_staircase_goes_back_over_the_same_stairs() -> None:
    there, back = measured(compiled("SCV"))
    top = there.start + (there.count - 1) * there.step
    assert back.start == pytest.approx(top - there.step)
    assert back.start + (back.count - 1) * back.step == pytest.approx(there.start)


@pytest.mark.parametrize("name", ["LSSV", "DPSV", "SWSV"])
def test_stripping_keeps_the_cell_closed_from_deposition_to_the_end(name: str) -> None:
    program = compiled(name)
    purge, deposit, rest, measure, clean = program.blocks
    assert isinstance(purge.segments[0], Open)
    assert not any(isinstance(block.segments[0], Open) for block in (deposit, rest, measure, clean))
    assert {block.pause for block in (deposit, rest, measure)} == {"never"}
    assert deposit.segments[0].outputs.stirrer is True
    assert [block.on_stop for block in program.blocks] == [False, False, False, False, True]
    given = document.read(techniques.TECHNIQUES[program.technique].example)
    given["phases"] = [phase for phase in given["phases"] if phase["phase"] != "deposit"]
    with pytest.raises(DocumentError, match="needs a deposit phase"):
        method.parse(given)


@pytest.mark.parametrize("name", ["CP", "CSCP", "GCD", "galvanostatic-EIS"])
def test_controlled_current_starts_at_zero_and_never_changes_range(name: str) -> None:
    program = compiled(name)
    segments = [segment for block in program.blocks for segment in block.segments]
    first = segments[0]
    assert isinstance(first, Hold)
    assert (first.control, first.level) == ("current", 0.0)
    assert not any(segment.autorange for segment in segments)


def test_cyclic_polarisation_turns_at_a_current_threshold() -> None:
    program = compiled("CPP")
    start, up, back = measured(program)
    assert isinstance(up, Ramp)
    assert up.until[0].quantity == "current"
    assert up.until[0].above == 1e-3
    assert (up.versus_open_circuit, back.versus_open_circuit, start.versus_open_circuit) == (False, True, True)
    # relative levels are bounded by the plausible window of the open-circuit potential
    assert bounds(program).potential_low == pytest.approx(-0.6 - 0.05)
    assert program.limits.potential.low is not None
    assert program.limits.potential.low < -0.65


def test_levels_versus_open_circuit_need_a_rest_and_a_plausible_window() -> None:
    given = document.read(techniques.TECHNIQUES["linear-sweep-voltammetry"].example)
    given["phases"][1]["versus"] = "open-circuit"
    with pytest.raises(DocumentError) as caught:
        method.parse(given)
    said = str(caught.value)
    assert "add a rest phase without a potential" in said
    assert "give low and high" in said


def test_coulometry_needs_an_end() -> None:
    with pytest.raises(DocumentError, match="needs an end"):
        compiled("CPC", end_share=None)


def test_an_amplitude_in_rms_is_applied_as_peak() -> None:
    (sine,) = measured(compiled("EIS", amplitude="5 mV", amplitude_as="rms"))
    assert isinstance(sine, Sine)
    assert sine.amplitude == pytest.approx(5e-3 * math.sqrt(2))
    (sine,) = measured(compiled("EIS", amplitude="5 mV", amplitude_as="peak"))
    assert sine.amplitude == 5e-3


@given(st.floats(1e-3, 1e2), st.floats(1.1, 1e5), st.integers(1, 12))
def test_frequencies_are_evenly_spaced_on_a_logarithmic_scale(low: float, ratio: float, per_decade: int) -> None:
    found = spaced(low * ratio, low, per_decade)
    assert found[0] == low * ratio
    assert found[-1] == pytest.approx(low)
    steps = {round(math.log(b / a), 9) for a, b in itertools.pairwise(found)}
    assert len(steps) <= 2


@pytest.mark.parametrize("name", sorted(techniques.TECHNIQUES))
def test_the_course_that_is_drawn_stays_within_the_bounds(name: str) -> None:
    program = compiled(name)
    extent = bounds(program)
    pieces = list(course(program, most_repeats=1_000_000))
    assert pieces[-1].end <= extent.duration * (1 + 1e-9) + 1e-9
    low = extent.current_low if extent.potential_low is None else extent.potential_low
    high = extent.current_high if extent.potential_high is None else extent.potential_high
    for piece in pieces:
        for level in (piece.level, piece.final):
            if level is not None and piece.control == "potential":
                assert low is not None
                assert high is not None
                assert low - 0.61 <= level <= high + 0.61


@pytest.mark.parametrize("name", sorted(techniques.TECHNIQUES))
def test_counts_of_pulses_and_frequencies_are_exact(name: str) -> None:
    for segment in (segment for block in compiled(name).blocks for segment in block.segments):
        if isinstance(segment, Pulses):
            last = segment.start + (segment.count - 1) * segment.step
            assert segment.points(segment.seconds(())) == segment.count
            assert abs(last) < 10
