"""Baselines against reference libraries and against lines that are known."""

import numpy as np
import pytest
from pybaselines import Baseline
from scipy.signal import savgol_filter

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.peaks import detect
from luggin.daemon.analysis.smoothing import savitzky_golay
from luggin.protocol.evaluation.peak_results import Peak
from luggin.protocol.evaluation.peak_settings import (
    AsymmetricLeastSquares,
    PeakSettings,
    Polynomial,
    Smoothing,
    Straight,
    Tangent,
)
from support.peak_truth import gaussian, reversible_sweep

E = np.linspace(-0.2, 0.8, 501)


def under(peak: Peak) -> tuple[np.ndarray, np.ndarray]:
    return np.array(peak.baseline.potential), np.array(peak.baseline.current)


def test_straight_touches_the_curve_on_both_sides() -> None:
    """On a convex background the ruler under the peak is the common tangent: nothing lies below it."""
    i = gaussian(E, 0.3, 1.0, 0.08) + 0.5 * (E - 0.3) ** 2
    (peak,) = detect(E, i).peaks
    e, b = under(peak)
    assert e.size == 2
    assert e[0] < 0.3 - 0.05 < 0.3 + 0.05 < e[1]
    near = (e[0] <= E) & (e[1] >= E)
    assert np.min(i[near] - np.interp(E[near], e, b)) > -2e-3
    assert peak.height == pytest.approx(1, rel=0.02)


def test_straight_between_chosen_points() -> None:
    i = gaussian(E, 0.3, 1.0, 0.08) + 2 * E
    (peak,) = detect(E, i, settings=PeakSettings(baseline=Straight(anchors=(0.5, 0.1)))).peaks
    e, b = under(peak)
    assert e == pytest.approx([0.1, 0.5])
    assert b == pytest.approx([0.2, 1.0], abs=1e-6)


def test_chosen_points_serve_the_peak_between_them_only() -> None:
    i = gaussian(E, 0.1, 1.0, 0.06) + gaussian(E, 0.5, 1.0, 0.06)
    left, right = detect(E, i, settings=PeakSettings(baseline=Straight(anchors=(0.3, 0.7)))).peaks
    assert right.baseline.potential == pytest.approx((0.3, 0.7))
    assert max(left.baseline.potential) < 0.3


def test_chosen_points_outside_the_curve_are_said() -> None:
    settings = PeakSettings(baseline=Straight(anchors=(2.0, 3.0)))
    result = detect(E, gaussian(E, 0.3, 1.0, 0.08), settings=settings)
    assert result.peaks[0].height == pytest.approx(1, rel=0.01)
    assert result.notes == (
        "the curve has no stretch between the anchors 2 and 3 V; the baseline is laid without them",
    )


def test_neighbours_share_a_line_only_while_they_overlap() -> None:
    close = detect(E, gaussian(E, 0.25, 1.0, 0.08) + gaussian(E, 0.37, 0.7, 0.08)).peaks
    apart = detect(E, gaussian(E, 0.1, 1.0, 0.08) + gaussian(E, 0.5, 0.7, 0.08)).peaks
    assert close[0].baseline.potential == close[1].baseline.potential
    assert all(p.overlapped for p in close)
    assert max(apart[0].baseline.potential) <= min(apart[1].baseline.potential)
    assert not any(p.overlapped for p in apart)


def test_tangent_prolongs_the_line_ahead_of_the_foot() -> None:
    chi = reversible_sweep(E, 0.35)
    i = chi / chi.max() + 0.4 + 0.8 * E
    (peak,) = detect(E, i, settings=PeakSettings(baseline=Tangent())).peaks
    e, b = under(peak)
    assert b == pytest.approx(0.4 + 0.8 * e, abs=0.03)
    assert peak.height == pytest.approx(1, rel=0.02)


def test_tangent_falls_back_ahead_in_the_order_of_the_scan() -> None:
    """On a falling scan the line ahead of a cathodic peak lies at higher potentials."""
    chi = reversible_sweep(E, 0.2)
    (peak,) = detect(-E, -chi, settings=PeakSettings(baseline=Tangent())).peaks
    assert peak.baseline.potential[0] > peak.potential > peak.baseline.potential[-1]
    assert peak.height == pytest.approx(-0.4463, rel=0.02)


def test_tangent_through_chosen_points_is_the_least_squares_line() -> None:
    rng = np.random.default_rng(0)
    i = gaussian(E, 0.3, 1.0, 0.08) + 0.3 * E + 0.01 * rng.standard_normal(E.size)
    (peak,) = detect(E, i, settings=PeakSettings(baseline=Tangent(anchors=(-0.1, 0.1)))).peaks
    part = (E >= -0.1001) & (E <= 0.1001)
    slope, intercept = np.polyfit(E[part], i[part], 1)
    e, b = under(peak)
    assert b == pytest.approx(intercept + slope * e)


def test_polynomial_agrees_with_numpy_where_there_is_no_peak() -> None:
    i = gaussian(E, 0.3, 1.0, 0.06) + 1 - 2 * E + 3 * E**2 - E**3
    (peak,) = detect(E, i, settings=PeakSettings(baseline=Polynomial(order=3))).peaks
    outside = np.abs(E - 0.3) > 0.12
    e, b = under(peak)
    assert b == pytest.approx(np.polyval(np.polyfit(E[outside], i[outside], 3), e), abs=2e-3)
    assert peak.height == pytest.approx(1, rel=2e-3)


def test_asymmetric_least_squares_is_that_of_pybaselines() -> None:
    i = gaussian(E, 0.3, 1.0, 0.06) + np.exp(E)
    chosen = AsymmetricLeastSquares(stiffness=1.0, asymmetry=0.005)
    (peak,) = detect(E, i, settings=PeakSettings(baseline=chosen)).peaks
    lam = (1.0 / 0.002 / (2 * np.pi)) ** 4
    expected, _ = Baseline().asls(i, lam=lam, p=0.005)
    e, b = under(peak)
    assert b == pytest.approx(np.interp(e, E, expected))
    assert peak.height == pytest.approx(1, rel=0.05)


def test_asymmetric_least_squares_follows_the_upper_edge_of_cathodic_peaks() -> None:
    i = -gaussian(E, 0.3, 1.0, 0.06) + 0.5 * E
    settings = PeakSettings(polarity="cathodic", baseline=AsymmetricLeastSquares())
    (peak,) = detect(E, i, settings=settings).peaks
    assert peak.height == pytest.approx(-1, rel=0.05)


def test_smoothing_is_that_of_scipy() -> None:
    rng = np.random.default_rng(0)
    i = rng.standard_normal(E.size)
    smoothed = savitzky_golay(i, 0.002, Smoothing(width=0.03, order=3))
    assert smoothed == pytest.approx(savgol_filter(i, 15, 3))


def test_smoothing_bridges_what_is_missing() -> None:
    i = 2 * E
    i[10:13] = np.nan
    smoothed = savitzky_golay(i, 0.002, Smoothing(width=0.03))
    assert np.isnan(smoothed[10:13]).all()
    rest = np.delete(np.arange(E.size), [10, 11, 12])
    assert smoothed[rest] == pytest.approx(2 * E[rest])


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_smoothing_of_too_few_points_leaves_them(n: int) -> None:
    assert savitzky_golay(np.arange(n), 0.1, Smoothing(width=1.0, order=3)).tolist() == list(range(n))


def test_smoothing_needs_a_step() -> None:
    with pytest.raises(AnalysisError, match="step is 0; it must be above zero"):
        savitzky_golay([1.0, 2.0], 0.0, Smoothing(width=1.0))


def test_smoothing_as_a_setting_keeps_height_and_place() -> None:
    rng = np.random.default_rng(0)
    i = gaussian(E, 0.3, 1.0, 0.09) + 0.03 * rng.standard_normal(E.size)
    (peak,) = detect(E, i, settings=PeakSettings(smoothing=Smoothing(width=0.04))).peaks
    assert peak.height == pytest.approx(1, rel=0.03)
    assert peak.potential == pytest.approx(0.3, abs=2e-3)
    assert abs(peak.potential - 0.3) < 3 * peak.u_potential
