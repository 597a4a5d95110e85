"""Curves against each other, and trends against scipy."""

import numpy as np
import pytest
from scipy import stats

from luggin.daemon.analysis.compare import (
    Curve,
    difference,
    overlay,
    peak_trend,
    replicate_mean,
    subtract_blank,
    trend,
)
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.peaks import detect
from support.peak_truth import gaussian

E = np.linspace(-0.2, 0.8, 501)


def test_overlay_is_on_the_shared_potentials_and_as_fine_as_the_finest() -> None:
    fine, coarse = np.arange(0, 1.0001, 0.001), np.arange(1.2, 0.1999, -0.005)
    laid = overlay([Curve(fine, 2 * fine), Curve(coarse, 3 * coarse)])
    assert laid.potential[0] == pytest.approx(0.2)
    assert laid.potential[-1] == pytest.approx(1.0)
    assert laid.currents.shape == (2, 801)
    assert laid.currents[0] == pytest.approx(2 * laid.potential)
    assert laid.currents[1] == pytest.approx(3 * laid.potential)


def test_overlay_leaves_out_what_is_not_usable() -> None:
    i, usable = E.copy(), np.ones(E.size, dtype=bool)
    i[100], usable[100], i[200] = 99.0, False, np.nan
    assert overlay([Curve(E, i, usable)]).currents[0] == pytest.approx(E)


def test_overlay_of_what_does_not_overlap() -> None:
    with pytest.raises(AnalysisError, match=r"share no potentials: one starts at 2 V, one ends at 1 V"):
        overlay([Curve([0, 1], [0, 1]), Curve([2, 3], [0, 1])])
    with pytest.raises(AnalysisError, match="Curve 2 has no range of potentials"):
        overlay([Curve([0, 1], [0, 1]), Curve([2, 2], [0, 1])])
    with pytest.raises(AnalysisError, match="There is no curve"):
        overlay([])
    with pytest.raises(AnalysisError, match="potential has 2 values and current has 1"):
        overlay([Curve([0, 1], [0])])


def test_difference() -> None:
    potential, current = difference(Curve(E, gaussian(E, 0.3, 1, 0.1) + E), Curve(E[::-1], E[::-1]))
    assert current == pytest.approx(gaussian(potential, 0.3, 1, 0.1), abs=1e-12)


def test_mean_and_spread_of_replicates() -> None:
    """Limits are those of scipy's one-sample t interval."""
    rng = np.random.default_rng(0)
    runs = E + rng.standard_normal((5, E.size))
    result = replicate_mean([Curve(E, r) for r in runs], confidence=0.9)
    assert result.count == 5
    assert result.sd is not None
    assert result.lower is not None
    assert result.upper is not None
    assert result.mean == pytest.approx(runs.mean(axis=0))
    assert result.sd == pytest.approx(runs.std(axis=0, ddof=1))
    low, high = stats.t.interval(0.9, 4, loc=runs.mean(axis=0), scale=stats.sem(runs, axis=0))
    assert result.lower == pytest.approx(low)
    assert result.upper == pytest.approx(high)


def test_a_single_curve_has_no_spread() -> None:
    result = replicate_mean([Curve(E, E)])
    assert result.mean == pytest.approx(E)
    assert (result.sd, result.lower, result.upper) == (None, None, None)


UP = np.linspace(0, 1, 201)
CYCLE = np.concatenate((UP, UP[::-1][1:]))
RISING = np.concatenate((np.ones(201, dtype=bool), np.zeros(200, dtype=bool)))


def charging(e: np.ndarray, rising: np.ndarray, size: float = 1.0) -> np.ndarray:
    """Current of a capacitor that grows with the potential: its sign is that of the scan."""
    return np.asarray(np.where(rising, 1, -1) * size * (1 + 0.5 * e))


def test_blank_is_subtracted_sweep_by_sweep() -> None:
    """The blank has coarser steps; rising and falling sweeps must not be mixed, their charging has opposite signs."""
    bell = gaussian(CYCLE, 0.5, 2, 0.1)
    coarse = np.linspace(0, 1, 41)
    blank_e = np.concatenate((coarse, coarse[::-1][1:]))
    blank_i = charging(blank_e, np.arange(81) < 41)
    result = subtract_blank(CYCLE, bell + charging(CYCLE, RISING), blank_e, blank_i)
    assert result.covered[1:].all()
    assert result.current[1:201] == pytest.approx(bell[1:201], abs=1e-9)
    assert result.current[202:] == pytest.approx(bell[202:], abs=0.05)


def test_more_cycles_than_the_blank_has() -> None:
    """A film grows from the first cycle to the second, then no more."""
    e, rising = np.tile(CYCLE[:-1], 3), np.tile(RISING[:-1], 3)
    i = charging(e, rising) * np.repeat([1.0, 2.0, 2.0], 400)
    # Where the scan turns, the last point of a sweep has the current of the next.
    i[400::400] = i[399:-1:400]
    result = subtract_blank(e, i, e[:800], i[:800])
    assert np.nanmax(np.abs(result.current)) == pytest.approx(0, abs=0.02)
    assert result.covered.all()
    assert result.notes == (
        "the blank has 2 sweeps with rising potential and the run 3; its last one was used again",
        "the blank has 2 sweeps with falling potential and the run 3; its last one was used again",
    )


def test_outside_the_blank_nothing_is_extrapolated() -> None:
    result = subtract_blank(UP, UP, UP[50:151], np.zeros(101))
    # Its end values serve for one more step.
    assert np.flatnonzero(result.covered).tolist() == list(range(49, 152))
    assert np.isnan(result.current[:49]).all()
    assert result.notes == ("98 points lie outside the blank and are not corrected",)


def test_a_blank_that_only_rises() -> None:
    result = subtract_blank(CYCLE, np.zeros(401), UP, np.zeros(201))
    assert result.covered[:201].all()
    assert not result.covered[201:].any()
    assert result.notes[0] == "the blank has no sweep with falling potential"


def test_unusable_points_of_run_and_blank() -> None:
    blank = np.zeros(201)
    blank[10], bad = 1e9, np.arange(201) == 10
    here = np.arange(201) == 20
    result = subtract_blank(UP, UP, UP, blank, usable=~here, blank_usable=~bad)
    assert np.isnan(result.current[20])
    assert np.delete(result.current, 20) == pytest.approx(np.delete(UP, 20))
    with pytest.raises(AnalysisError, match="blank_potential has 1 values and blank_current has 2"):
        subtract_blank(UP, UP, [0], [1, 2])


def test_trend_is_that_of_scipy() -> None:
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(0, 10, 12))
    y = 3 - 0.2 * x + 0.1 * rng.standard_normal(12)
    reference = stats.linregress(x, y)
    result = trend(y.tolist(), x.tolist(), confidence=0.95)
    half = stats.t.ppf(0.975, 10) * reference.stderr
    assert result.slope.value == pytest.approx(reference.slope)
    assert result.slope.standard_uncertainty == pytest.approx(reference.stderr)
    assert (result.slope.lower, result.slope.upper) == pytest.approx((reference.slope - half, reference.slope + half))
    assert result.intercept == pytest.approx(reference.intercept)
    assert result.significant is True
    assert result.significant == (reference.pvalue < 0.05)


def test_trend_without_one() -> None:
    result = trend([1.0, 1.1, 0.9, 1.0, 1.05, None, float("nan")])
    assert result.significant is False
    assert (result.points, result.left_out) == (5, 2)


def test_two_values_have_a_slope_but_no_interval() -> None:
    result = trend([1.0, None, 2.0])
    assert result.slope.value == pytest.approx(0.5)
    assert result.slope.lower is None
    assert result.significant is None


def test_trend_needs_two_values() -> None:
    with pytest.raises(AnalysisError, match="1 values are too few for a trend"):
        trend([1.0, None])
    with pytest.raises(AnalysisError, match="positions is 3 at every point"):
        trend([1.0, 2.0], [3.0, 3.0])
    with pytest.raises(AnalysisError, match="positions has 1 values and values has 2"):
        trend([1.0, 2.0], [3.0])


def test_trend_of_a_peak_over_a_sequence() -> None:
    """A sensor that loses 2 % a run and drifts by 1 mV a run; one run has no peak."""
    peaks = []
    for run in range(8):
        found = detect(E, gaussian(E, 0.3 + 1e-3 * run, 1e-6 * (1 - 0.02 * run), 0.09)).peaks
        peaks.append(found[0] if run != 4 else None)
    assert peak_trend(peaks, "height").slope.value == pytest.approx(-2e-8, rel=0.01)
    drift = peak_trend(peaks, "potential", positions=[2.0 * k for k in range(8)])
    assert drift.slope.value == pytest.approx(0.5e-3, rel=0.01)
    assert drift.left_out == 1
    assert peak_trend(peaks, "half_width").slope.value == pytest.approx(0, abs=1e-4)
    with pytest.raises(AnalysisError, match="property is 'colour'; choose one of potential, height"):
        peak_trend(peaks, "colour")  # type: ignore[arg-type]
