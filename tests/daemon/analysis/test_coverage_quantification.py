"""Do the 95 % intervals of calibration and standard addition hold the true value 95 times in 100?

The noise is redrawn with a fixed seed.  The short versions run with the fast tests and allow for their
few draws.
"""

from collections.abc import Callable, Iterator

import numpy as np
import pytest

from luggin.daemon.analysis.addition import standard_addition
from luggin.daemon.analysis.calibration import calibrate, concentration
from luggin.daemon.analysis.estimate import Estimate
from luggin.protocol.evaluation.quantification_results import Standards
from luggin.protocol.evaluation.quantification_settings import Interval, Weighting

SEED = 95
TRUE = 0.37
Draw = Callable[[np.random.Generator, Interval], Estimate]


def standards(rng: np.random.Generator, noise: Callable[[float], float], weighting: Weighting) -> Standards:
    levels = (0.1, 0.2, 0.4, 0.6, 0.8, 1.0)
    return Standards.model_validate(
        {
            "name": "coverage",
            "analyte": "paracetamol",
            "method": "invented",
            "electrode": "invented",
            "signal": "peak height",
            "signal_unit": "A",
            "weighting": weighting,
            "standards": [
                {"concentration": x, "signals": list(0.05 + 2 * x + rng.normal(0, noise(x), 2))} for x in levels
            ],
        }
    )


def by_calibration(rng: np.random.Generator, interval: Interval) -> Estimate:
    fitted = calibrate(standards(rng, lambda _: 0.03, "none"))
    return concentration(fitted, 0.05 + 2 * TRUE + rng.normal(0, 0.03, 3), interval=interval)


def by_weighted_calibration(rng: np.random.Generator, interval: Interval) -> Estimate:
    fitted = calibrate(standards(rng, lambda x: 0.06 * x, "1/x2"))
    return concentration(fitted, 0.05 + 2 * TRUE + rng.normal(0, 0.06 * TRUE, 3), interval=interval)


def by_calibration_with_blank(rng: np.random.Generator, interval: Interval) -> Estimate:
    fitted = calibrate(standards(rng, lambda _: 0.03, "none"))
    sample, blank = 0.3 + 2 * TRUE + rng.normal(0, 0.03, 3), 0.3 + rng.normal(0, 0.03, 3)
    return concentration(fitted, sample, blank_signals=blank, interval=interval)


def by_addition(rng: np.random.Generator, interval: Interval) -> Estimate:
    added = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    signals = [2 * (TRUE + a) + rng.normal(0, 0.04, 2) for a in added]
    return standard_addition(added, signals, interval=interval).concentration


def by_addition_with_volume_and_blank(rng: np.random.Generator, interval: Interval) -> Estimate:
    added = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    ratio = 2 + added / 5  # the standard is five times the largest addition: the volume grows by a tenth
    signals = [0.1 + 4 * (TRUE + a) / r + rng.normal(0, 0.04, 2) for a, r in zip(added, ratio, strict=True)]
    return standard_addition(
        added, signals, volume_ratio=ratio, blank_signals=0.1 + rng.normal(0, 0.04, 2), interval=interval
    ).concentration


CASES: dict[str, Draw] = {
    "calibration": by_calibration,
    "weighted calibration": by_weighted_calibration,
    "calibration with blank": by_calibration_with_blank,
    "addition": by_addition,
    "addition with volume and blank": by_addition_with_volume_and_blank,
}


def coverage(draw: Draw, interval: Interval, repeats: int) -> float:
    def hits() -> Iterator[bool]:
        rng = np.random.default_rng(SEED)
        for _ in range(repeats):
            result = draw(rng, interval)
            assert result.lower is not None
            assert result.upper is not None
            yield result.lower <= TRUE <= result.upper

    return sum(hits()) / repeats


@pytest.mark.parametrize("case", CASES)
def test_intervals_hold_the_truth_in_a_few_draws(case: str) -> None:
    assert 0.90 <= coverage(CASES[case], "fieller", 200) <= 0.99


@pytest.mark.long
@pytest.mark.parametrize("interval", ["fieller", "s_x0"])
@pytest.mark.parametrize("case", CASES)
def test_intervals_hold_the_truth_95_times_in_100(case: str, interval: Interval) -> None:
    assert 0.93 <= coverage(CASES[case], interval, 2000) <= 0.97
