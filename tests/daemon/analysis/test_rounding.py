"""Results written by their uncertainty, and recovery."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Measured
from luggin.daemon.analysis.recovery import recovery
from luggin.daemon.analysis.rounding import rounded


@pytest.mark.parametrize(
    ("value", "uncertainty", "written"),
    [
        (10.05762, 0.027, "10.058 ± 0.027"),  # GUM 7.2.6: 10.057 62 ohm with 27 mohm becomes 10.058 ohm
        (0.24131, 0.00661, "0.2413 ± 0.0066"),
        (123456.0, 789.0, "123460 ± 790"),
        (1.33e-7, 2.34e-9, "0.0000001330 ± 0.0000000023"),
        (5.0, 0.0996, "5.00 ± 0.10"),
        (-0.0001, 0.05, "0.000 ± 0.050"),
        (0.25, 1.0, "0.2 ± 1.0"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, uncertainty: float, written: str) -> None:
    assert str(rounded(value, uncertainty)) == written


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_rounding_moves_nothing_by_more_than_half_a_last_digit(value: float, uncertainty: float) -> None:
    result = rounded(value, uncertainty)
    assert abs(float(result.value) - value) <= 0.051 * uncertainty + math.ulp(value)
    assert float(result.uncertainty) == pytest.approx(uncertainty, rel=0.051)
    assert len(result.uncertainty.replace(".", "").lstrip("0").rstrip("0")) <= 2


def test_no_uncertainty_no_rounding() -> None:
    with pytest.raises(AnalysisError, match="above zero"):
        rounded(1.0, 0.0)


def found(value: float, u: float | None) -> Estimate:
    return Estimate(value=value, standard_uncertainty=u, degrees_of_freedom=10, method="given")


def test_recovery_of_a_spike() -> None:
    result = recovery(found(14.6, 0.3), Measured(10.0, 0.1), unspiked=found(5.0, 0.2))
    assert result.value == pytest.approx(0.96)
    assert result.standard_uncertainty == pytest.approx((0.03**2 + 0.02**2 + 0.0096**2) ** 0.5)
    assert result.warnings == ()


def test_incomplete_recovery_is_remarked() -> None:
    assert "differs from 100 %" in recovery(found(8.0, 0.1), 10.0).warnings[0]
    assert recovery(found(8.0, None), 10.0).standard_uncertainty is None
    with pytest.raises(AnalysisError, match="added is 0"):
        recovery(found(8.0, 0.1), 0.0)
