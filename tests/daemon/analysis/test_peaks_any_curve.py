"""No curve is an error: whatever comes, there is a result, and it is finite."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.pairing import analyse_cyclic
from luggin.daemon.analysis.peaks import detect
from luggin.protocol.evaluation.peak_settings import AsymmetricLeastSquares, PeakSettings, Polynomial, Straight, Tangent
from support.peak_truth import gaussian

E = np.linspace(-0.2, 0.8, 501)
BELL = gaussian(E, 0.3, 1e-6, 0.09)

any_float = st.floats(allow_nan=True, allow_infinity=True, width=64)
any_settings = st.builds(
    PeakSettings,
    polarity=st.sampled_from(["along-scan", "anodic", "cathodic", "both"]),
    overlap=st.sampled_from(["as-measured", "resolved"]),
    baseline=st.sampled_from(
        [
            Straight(),
            Straight(anchors=(0.1, 0.2)),
            Straight(anchors=(5.0, 5.0)),
            Tangent(),
            Tangent(anchors=(0.7, 0.1)),
            Polynomial(order=6),
            AsymmetricLeastSquares(),
        ]
    ),
    minimum_half_width=st.sampled_from([1e-4, 0.02, 0.3]),
)


@settings(max_examples=150, deadline=None)
@given(st.data(), st.integers(0, 60), any_settings)
def test_anything_at_all(data: st.DataObject, n: int, chosen: PeakSettings) -> None:
    e = data.draw(arrays(np.float64, n, elements=any_float))
    i = data.draw(arrays(np.float64, n, elements=any_float))
    usable = data.draw(arrays(np.bool_, n))
    result = detect(e, i, time=np.arange(n), usable=usable, settings=chosen)
    assert result.points_used + result.points_ignored == n
    result.model_dump_json()  # every number finite


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 120), any_settings)
def test_bumps_anywhere_with_every_setting(seed: int, n: int, chosen: PeakSettings) -> None:
    rng = np.random.default_rng(seed)
    e = np.sort(rng.uniform(0, 1, n)) if rng.random() < 0.5 else np.linspace(0, 1, n)
    i = sum(gaussian(e, rng.uniform(-0.1, 1.1), rng.normal(), 10 ** rng.uniform(-2, 0)) for _ in range(5))
    i = i + 10 ** rng.uniform(-12, 0) * rng.standard_normal(n)
    if rng.random() < 0.3:
        i = np.round(i, 1)
    result = detect(e, i, usable=rng.random(n) < 0.9, settings=chosen)
    for peak in result.peaks:
        assert peak.u_potential >= 0
        assert peak.u_height >= 0
        assert math.copysign(1, peak.height) == (1 if peak.polarity == "anodic" else -1)
        assert -0.2 <= peak.potential <= 1.2


@pytest.mark.parametrize(
    ("e", "i", "reason"),
    [
        ([], [], "0 usable points are too few"),
        ([0.1], [1.0], "1 usable points are too few"),
        ([0.1, 0.2], [1.0, 2.0], "2 usable points are too few"),
        ([0.5] * 50, list(range(50)), "the potential is constant"),
        (np.concatenate((E, E[::-1])), np.concatenate((BELL, BELL)), "the potential reverses"),
        (E, np.full(E.size, np.nan), "0 usable points are too few"),
    ],
)
def test_why_there_is_no_peak(e: list[float], i: list[float], reason: str) -> None:
    result = detect(e, i)
    assert result.peaks == ()
    assert result.notes[0].startswith("no peak found: " + reason)


@pytest.mark.parametrize("level", [0.0, 1e-6])
def test_constant_current(level: float) -> None:
    assert detect(E, np.full(E.size, level)).notes == ("no peak found",)


def test_columns_of_unequal_length_are_named() -> None:
    with pytest.raises(AnalysisError, match="current has 3 values and potential has 501; give columns of equal length"):
        detect(E, [1, 2, 3])
    with pytest.raises(AnalysisError, match="usable has 1 values"):
        detect(E, BELL, usable=[True])


def test_points_that_are_not_usable_do_not_count() -> None:
    spoilt, usable = BELL.copy(), np.ones(E.size, dtype=bool)
    hit = slice(100, 130)
    spoilt[hit], usable[hit] = 1.0, False
    (peak,) = detect(E, spoilt, usable=usable).peaks
    (clean,) = detect(E, BELL).peaks
    assert peak.potential == pytest.approx(clean.potential, abs=1e-4)
    assert peak.height == pytest.approx(clean.height, rel=0.01)


def test_a_top_that_was_not_measured_is_not_made_up() -> None:
    usable = np.abs(E - 0.3) > 0.03
    result = detect(E, np.where(usable, BELL, 9.9), usable=usable)
    assert result.peaks == ()
    assert result.notes == (
        "a peak near 0.3013 V is not measured: its top lies in ignored points",
        "no peak found",
    )


def test_equal_potentials_are_averaged() -> None:
    """A staircase with several points on each step."""
    rng = np.random.default_rng(0)
    e = np.repeat(E, 4)
    (peak,) = detect(e, np.repeat(BELL, 4) + 2e-8 * rng.standard_normal(e.size)).peaks
    assert peak.potential == pytest.approx(0.3, abs=1e-3)
    assert peak.height == pytest.approx(1e-6, rel=0.02)


def test_measured_potentials_with_jitter() -> None:
    rng = np.random.default_rng(0)
    e = E + 0.003 * rng.standard_normal(E.size)
    (peak,) = detect(e, gaussian(e, 0.3, 1e-6, 0.09)).peaks
    assert peak.potential == pytest.approx(0.3, abs=1e-3)


def test_a_coarse_converter_gives_one_peak() -> None:
    """Current in steps of a tenth of the peak, on a slope that makes a staircase of the baseline."""
    i = np.round((gaussian(E, 0.3, 1.0, 0.1) + E) / 0.1) * 0.1
    (peak,) = detect(E, i).peaks
    assert peak.potential == pytest.approx(0.3, abs=0.01)
    assert peak.height == pytest.approx(1, abs=0.1)


def test_a_top_cut_flat_is_said_and_less_certain() -> None:
    """Current limited without a flag: the place of the top is known to the width of the flat part only."""
    rng = np.random.default_rng(0)
    i = np.minimum(gaussian(E, 0.3, 1.0, 0.1) + 0.005 * rng.standard_normal(E.size), 0.8)
    (peak,) = detect(E, i).peaks
    assert "the top is flat" in peak.notes[0]
    assert abs(peak.potential - 0.3) < 2 * peak.u_potential
    (whole,) = detect(E, gaussian(E, 0.3, 1.0, 0.1)).peaks
    assert whole.notes == ()


def test_a_peak_cut_off_by_the_end_of_the_curve_is_said() -> None:
    rng = np.random.default_rng(0)
    i = gaussian(E, -0.16, 1.0, 0.1) + 0.005 * rng.standard_normal(E.size)
    (peak,) = detect(E, i).peaks
    assert peak.potential == pytest.approx(-0.16, abs=0.02)
    assert "the curve ends on a flank of the peak" in peak.notes[0]


def test_decimation_keeps_what_the_points_say() -> None:
    """A million points: the uncertainty falls with the square root of their number, and the peak stays in place."""
    rng = np.random.default_rng(0)
    e = np.linspace(-0.2, 0.8, 1_000_000)
    i = gaussian(e, 0.3, 1.0, 0.09) + 0.05 * rng.standard_normal(e.size)
    (peak,) = detect(e, i).peaks
    (few,) = detect(e[::1000], i[::1000]).peaks
    assert abs(peak.potential - 0.3) < 1e-4
    assert peak.height == pytest.approx(1, abs=2e-3)
    assert peak.u_potential < few.u_potential / 10


def test_whole_runs_of_anything() -> None:
    rng = np.random.default_rng(0)
    for n in (0, 1, 2, 3, 50):
        e, i = rng.standard_normal(n), rng.standard_normal(n)
        result = analyse_cyclic(e, i, cycle=np.arange(n), phase=np.arange(n) // 7)
        assert result.pairs == () or n == 50
    assert analyse_cyclic([0.1] * 9, [0.0] * 9).notes == ("no sweep found: the potential is constant",)
