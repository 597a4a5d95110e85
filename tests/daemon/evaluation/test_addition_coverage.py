"""Does the 95 % interval of a standard addition hold the truth 95 times in 100, from the curves to the result?"""

import sys

import numpy as np
import pytest

from luggin.daemon.evaluation.functions import evaluate
from luggin.protocol.evaluation.quantification_results import AdditionBody
from support.additions import TRUTH, example, redrawn

SEED = 2000
SPREAD = 0.8e-9 * np.sqrt(2 * 1 / (2 * 0.02))
"""A: of net currents, differences of two means over 20 ms, from the noise that the cell picks up (0.8 nA/sqrt(Hz))."""


def results(count: int, seed: int = SEED) -> list[AdditionBody]:
    rng = np.random.default_rng(seed)
    settings = example().settings
    return [
        AdditionBody.model_validate(evaluate("standard-addition", redrawn(rng, SPREAD), settings).body)
        for _ in range(count)
    ]


def holds(body: AdditionBody) -> bool:
    lower, upper = body.concentration.lower, body.concentration.upper
    return lower is not None and upper is not None and lower <= TRUTH <= upper


def test_a_few_redraws_lie_about_the_truth() -> None:
    found = [body.concentration for body in results(5)]
    mean = float(np.mean([each.value for each in found]))
    spread = max(each.standard_uncertainty or 0.0 for each in found) / 5**0.5
    assert mean == pytest.approx(TRUTH, abs=4 * spread)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_intervals_from_curves_hold_the_truth_95_times_in_100() -> None:
    found = results(2000)
    values = np.array([body.concentration.value for body in found])
    told = np.array([body.concentration.standard_uncertainty for body in found], dtype=float)
    share = sum(map(holds, found)) / len(found)
    row = (values.mean() * 1e3, values.std(ddof=1) * 1e3, told.mean() * 1e3)
    sys.stdout.write("\n| redraws | mean, umol/L | sd, umol/L | mean u, umol/L | coverage |\n|---|---|---|---|---|\n")
    sys.stdout.write(f"| {len(found)} | {row[0]:.4f} | {row[1]:.4f} | {row[2]:.4f} | {share:.1%} |\n")
    assert 0.93 <= share <= 0.97
    # What is left of a bias comes from the straight baseline, which noise lifts a little.
    assert values.mean() == pytest.approx(TRUTH, abs=0.45 * values.std(ddof=1))
