"""Runs cut into sweeps, and pairs of peaks against the published separation of a reversible couple."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.pairing import PairSettings, analyse_cyclic
from luggin.daemon.analysis.sweeps import split_sweeps
from support.peak_truth import RT_F, gaussian


def triangle(start: float, *vertices: float, step: float = 0.001) -> np.ndarray:
    """Applied potential through the vertices, each point once."""
    pieces, here = [np.array([start])], start
    for vertex in vertices:
        count = round(abs(vertex - here) / step)
        pieces.append(np.linspace(here, vertex, count + 1)[1:])
        here = vertex
    return np.concatenate(pieces)


def reversible_cycle(e: np.ndarray, half_wave: float) -> tuple[np.ndarray, np.ndarray]:
    """Potential and sqrt(pi) chi in the middle of each step of a scan with even steps: exact semi-integral undone."""
    fraction = 1 / (1 + np.exp(-(e - half_wave) / RT_F))
    k = np.arange(e.size)
    weight = 2 * np.sqrt(abs(e[1] - e[0]) / RT_F / np.pi) * (np.sqrt(k + 1) - np.sqrt(k))
    chi = np.zeros(e.size)
    for j in range(e.size):
        chi[j] = (fraction[j] - weight[1 : j + 1] @ chi[:j][::-1]) / weight[0]
    return np.concatenate((e[:1], (e[1:] + e[:-1]) / 2)), chi


@pytest.mark.parametrize(
    ("past_peak", "published", "computed"),
    [(0.0715, 60.5, 60.19), (0.1215, 59.2, 58.78), (0.1715, 58.3, 58.16), (0.2715, 57.8, 57.64)],
)
def test_separation_of_a_reversible_couple(past_peak: float, published: float, computed: float) -> None:
    """Published: Bard and Faulkner, 2nd ed., Table 6.5.1 (from memory); computed: exact quadrature."""
    e, chi = reversible_cycle(triangle(-0.4, 0.0285 + past_peak, -0.4), 0.0)
    (pair,) = analyse_cyclic(e, chi).pairs
    assert pair.separation * 1e3 == pytest.approx(published, abs=0.6)
    assert pair.separation * 1e3 == pytest.approx(computed, abs=0.1)
    assert pair.half_wave_potential == pytest.approx(0, abs=2e-3)
    assert pair.forward == "anodic"
    # Nicholson's ratio (Anal. Chem. 38 (1966) 1406, from memory) is 1 without a following reaction.
    assert pair.height_ratio_from_zero == pytest.approx(1, abs=0.015)
    # Turned back so soon, the return sweep has no baseline ahead of its peak; that is said.
    assert (pair.cathodic.notes == ("no clear stretch of baseline ahead of the peak",)) == (past_peak < 0.2)


def test_a_reduction_that_starts_at_the_top() -> None:
    e, chi = reversible_cycle(triangle(-0.4, 0.3, -0.4), 0.0)
    (mirrored,) = analyse_cyclic(e, chi).pairs
    (pair,) = analyse_cyclic(-e, -chi).pairs
    assert pair.forward == "cathodic"
    assert pair.cathodic.height == pytest.approx(-mirrored.anodic.height)
    assert pair.separation == pytest.approx(mirrored.separation)
    assert pair.height_ratio == pytest.approx(mirrored.height_ratio)
    assert pair.height_ratio_from_zero == pytest.approx(mirrored.height_ratio_from_zero)


def test_pairs_of_two_couples_over_three_cycles() -> None:
    e = np.tile(triangle(-0.2, 0.8, -0.199, step=0.002), 3)
    rising = np.gradient(e) > 0
    up = gaussian(e, 0.13, 1.0, 0.09) + gaussian(e, 0.53, 0.5, 0.09)
    down = gaussian(e, 0.07, 0.9, 0.09) + gaussian(e, 0.47, 0.4, 0.09)
    i = 1e-6 * np.where(rising, up, -down)
    cycle = np.repeat([1, 2, 3], e.size // 3)
    result = analyse_cyclic(e, i, cycle=cycle)
    assert [(p.cycle, round(p.half_wave_potential, 2)) for p in result.pairs] == [
        (k, place) for k in (1, 2, 3) for place in (0.1, 0.5)
    ]
    for pair in result.pairs:
        assert pair.separation == pytest.approx(0.06, abs=2e-3)
        ratio = 0.9 if pair.half_wave_potential < 0.3 else 0.8
        assert pair.height_ratio == pytest.approx(ratio, rel=0.03)
    assert len(analyse_cyclic(e, i, cycle=cycle, pairing=PairSettings(widest_separation=0.05)).pairs) == 0


def test_a_peak_where_the_cycle_number_changes_is_not_cut() -> None:
    """The scan starts in the middle, so cycle 2 begins on the top of a peak."""
    e = np.concatenate((triangle(0.0, 0.5, -0.5, 0.0), triangle(0.0, 0.5, -0.5, 0.0)[1:]))
    cycle = np.where(np.arange(e.size) < 2001, 1, 2)
    sweeps = split_sweeps(e, cycle=cycle)
    assert [(s.direction, s.cycle) for s in sweeps] == [(1, 1), (-1, 1), (1, 1), (-1, 2), (1, 2)]
    i = np.where(np.gradient(e) > 0, gaussian(e, 0.0, 1e-6, 0.09), 0)
    result = analyse_cyclic(e, i, cycle=cycle)
    (peak,) = result.sweeps[2].result.peaks
    assert peak.potential == pytest.approx(0, abs=1e-3)


@given(st.lists(st.floats(0.1, 1), min_size=1, max_size=8), st.integers(1, 4), st.booleans())
@settings(max_examples=60, deadline=None)
def test_sweeps_of_any_zigzag(legs: list[float], repeats: int, down: bool) -> None:
    """Every point belongs to one sweep at most, sweeps follow each other, and each goes one way."""
    vertices = np.cumsum([leg * (-1) ** (k + down) for k, leg in enumerate(legs)]).tolist()
    e = np.repeat(triangle(0.0, *vertices, step=0.01), repeats)
    sweeps = split_sweeps(e)
    assert len(sweeps) == len(legs)
    assert [s.direction for s in sweeps] == [(-1) ** (k + down) for k in range(len(legs))]
    assert sweeps[0].start == repeats - 1  # the last point before the scan moves
    assert sweeps[-1].stop in range(e.size - repeats + 1, e.size + 1)
    for s, t in pairwise(sweeps):
        assert s.stop == t.start
        assert (np.diff(e[s.part]) * s.direction >= 0).all()


def test_wiggles_of_a_measured_potential_are_no_turns() -> None:
    rng = np.random.default_rng(0)
    e = triangle(0.0, 1.0, 0.0) + 0.002 * rng.standard_normal(2001)
    assert [s.direction for s in split_sweeps(e)] == [1, -1]


def test_phases_and_jumps_cut() -> None:
    ramp = np.linspace(0, 1, 101)
    assert [(s.start, s.stop) for s in split_sweeps(np.tile(ramp, 3))] == [(0, 101), (101, 202), (202, 303)]
    phase = np.repeat([1, 2], [50, 51])
    assert [(s.start, s.stop, s.phase) for s in split_sweeps(ramp, phase=phase)] == [(0, 50, 1), (50, 101, 2)]


def test_nothing_to_cut() -> None:
    assert split_sweeps([]) == ()
    assert split_sweeps([0.3]) == ()
    assert split_sweeps([0.3] * 10) == ()
    assert split_sweeps([np.nan] * 10) == ()
    with pytest.raises(AnalysisError, match="cycle has 1 values and potential has 3"):
        split_sweeps([1, 2, 3], cycle=[1])
