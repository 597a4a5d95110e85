"""Differences, means and blanks of runs whose answer is known."""

import numpy as np
import pytest

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.comparison import above_blank, difference, mean
from luggin.daemon.figures.curve import Curve, curve
from luggin.protocol.points import Flag
from luggin.protocol.techniques.base import AGAINST_TIME, NYQUIST
from support.voltammograms import cyclic_columns, header_of, pulse_columns, run_of

DPV = "differential-pulse-voltammetry"


def pulse(label: str, height: float = 2e-6, seed: int = 7) -> Curve:
    data = run_of(DPV, pulse_columns(seed=seed, height=height))
    return curve(label, data.header.method, data.columns)


def held(label: str, begin: float, level: float) -> Curve:
    time = begin + np.arange(50.0)
    return Curve(label, AGAINST_TIME, "SCE", time, np.full(50, level))


def test_a_difference_is_what_was_added() -> None:
    found = difference(pulse("spiked", 3e-6), pulse("plain", 2e-6))
    x, y = found.columns["applied_potential"], found.columns["difference"]
    assert np.abs(y).max() == pytest.approx(1e-6, rel=5e-3)
    assert x[np.argmax(y)] == pytest.approx(0.35, abs=0.004)
    assert found.units == {"applied_potential": "V", "difference": "A"}
    assert found.curves[0].label == "spiked less plain"


def test_a_mean_with_the_limits_of_student_s_t() -> None:
    """Of three levels 1, 2 and 3 uA the limits are 2 -+ 4.3027 / sqrt(3) uA; t from any table for 2 degrees."""
    found = mean([held(str(level), 0.0, level * 1e-6) for level in (1, 2, 3)])
    half = 4.302653 / 3**0.5
    for name, value in (("mean", 2), ("sd", 1), ("lower", 2 - half), ("upper", 2 + half)):
        assert found.columns[name] == pytest.approx(value * 1e-6, rel=1e-6)
    band = found.curves[0].band
    assert band is not None
    assert band[0] == pytest.approx((2 - half) * 1e-6, rel=1e-6)


def test_a_blank_is_taken_off_sweep_by_sweep() -> None:
    method = header_of("r", "cyclic-voltammetry").method
    both = [cyclic_columns(2, 101, seed=seed) for seed in (1, 2)]
    peak = 5e-6 * np.exp(-(((both[0]["applied_potential"] - 0.5) / 0.03) ** 2))
    both[0]["current"] = both[0]["current"] + peak
    with_peak, blank = (curve(name, method, columns) for name, columns in zip("ab", both, strict=True))
    found = above_blank(with_peak, blank)
    left = found.columns["above_blank"]
    assert np.nanmax(np.abs(left - peak)) < 1.5e-7
    assert len(left) == len(with_peak.x)


@pytest.mark.parametrize(
    ("curves", "said"),
    [
        ([pulse("a")], "One run has no spread"),
        ([pulse("a"), held("b", 0, 1)], "compare runs of one technique"),
        ([held("a", 0, 1), held("b", 100, 1)], "share no time: one begins at 100 s, one ends at 49 s"),
        ([pulse("a"), Curve("b", pulse("a").view, "SCE", pulse("a").x, pulse("a").y)], "against one reference"),
        ([Curve(n, NYQUIST, "SCE", np.arange(9.0), np.arange(9.0), {}, np.arange(9.0)) for n in "ab"], "Spectra"),
        ([pulse("a"), Curve("b", pulse("a").view, pulse("a").reference, np.zeros(1), np.zeros(1))], "fewer than two"),
    ],
)
def test_what_cannot_be_compared_gets_one_sentence(curves: list[Curve], said: str) -> None:
    with pytest.raises(AnalysisError, match=said):
        mean(curves)


def test_a_sweep_that_there_is_not() -> None:
    with pytest.raises(AnalysisError, match="there is no sweep 2"):
        difference(pulse("a"), pulse("b"), sweep=2)


def test_flagged_points_do_not_count() -> None:
    columns = pulse_columns()
    columns["current"][100] = 1.0
    columns["flags"][100] = int(Flag.CURRENT_OVERLOAD)
    data = run_of(DPV, columns)
    spoiled = curve("a", data.header.method, data.columns)
    assert np.nanmax(np.abs(difference(spoiled, pulse("b")).columns["difference"])) < 1e-7
