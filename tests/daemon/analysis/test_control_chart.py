"""Charts of individual values against a published example, and against chance."""

import numpy as np
import pytest
from scipy import integrate, stats

from luggin.daemon.analysis.control_chart import D2, control_chart
from luggin.daemon.analysis.errors import AnalysisError

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: flow rate of ten batches.  The batches are from memory; the
# results (mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159) were read in a public copy.
BATCHES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_the_published_example() -> None:
    chart = control_chart(BATCHES)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    # The handbook rounds d2 to 1.128.
    assert (chart.lower, chart.upper) == pytest.approx((45.8159, 55.8041), abs=2e-3)
    assert chart.out_of_control == ()


def test_d2_is_the_mean_range_of_two_normal_values() -> None:
    """By integration, with the normal distribution of scipy; 1.128 in tables (ISO 7870-2, from memory)."""
    mean, _ = integrate.quad(lambda r: r * 2 * stats.norm.pdf(r, scale=np.sqrt(2)), 0, 20)
    assert pytest.approx(mean, rel=1e-9) == D2
    assert pytest.approx(1.128, abs=5e-4) == D2
    assert pytest.approx(2.66, abs=2e-3) == 3 / D2


def test_chance_alone_puts_0_27_percent_outside() -> None:
    """Two tails of the normal distribution beyond three standard deviations; 40 000 values, seed 2026."""
    values = np.random.default_rng(2026).normal(size=40_000)
    share = len(control_chart(values).beyond) / values.size
    assert share == pytest.approx(2 * stats.norm.sf(3), abs=4 * np.sqrt(0.0027 / values.size))


def test_limits_of_a_baseline_judge_what_comes_after() -> None:
    values = [10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 12.0, *[10.02 + 0.001 * n for n in range(9)]]
    assert control_chart(values).beyond == (6,)
    chart = control_chart(values, baseline=6)
    assert (chart.baseline, chart.beyond) == (6, (6,))
    assert chart.run == (13, 14, 15)  # the eighth, ninth and tenth in a row above the mean
    assert chart.out_of_control == (6, 13, 14, 15)


@pytest.mark.parametrize(("values", "baseline"), [([1.0], None), ([1.0, 2.0, 3.0], 1), ([1.0, 2.0], 3)])
def test_too_few_values_are_refused(values: list[float], baseline: int | None) -> None:
    with pytest.raises(AnalysisError):
        control_chart(values, baseline)


def test_equal_values_are_in_control() -> None:
    chart = control_chart([2.0] * 12)
    assert chart.lower == chart.centre == chart.upper == 2.0
    assert chart.out_of_control == ()
