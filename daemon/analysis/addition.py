"""Standard addition: the concentration in the sample from the x-intercept of signal against amount added."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, all_positive, floats, same_length
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, Result, measured
from luggin.daemon.analysis.inverse import diluted, quotient
from luggin.daemon.analysis.linearity import mandel
from luggin.daemon.analysis.regression import fit_line
from luggin.daemon.analysis.weighting import relative_variance
from luggin.protocol.evaluation.addition_settings import AdditionWeighting
from luggin.protocol.evaluation.quantification_settings import Interval
from luggin.protocol.evaluation.statistics import FTest, Line


class AdditionResult(Result):
    """`taken` is the concentration in the sample as taken, `concentration` that of the original one; `line` is of the
    corrected signal against `added`.

    `linearity` is None where there are too few levels to test.
    """

    taken: Estimate
    concentration: Estimate
    line: Line
    linearity: FTest | None
    weighting: AdditionWeighting
    blank: float


def standard_addition(
    added: ArrayLike,
    signals: Sequence[ArrayLike],
    *,
    volume_ratio: ArrayLike | None = None,
    blank_signals: ArrayLike | None = None,
    dilution: Known = 1.0,
    weighting: AdditionWeighting = "volume",
    interval: Interval = "fieller",
    confidence: float = 0.95,
) -> AdditionResult:
    """Evaluate a standard addition.

    `added` (k,): analyte added so far at each level, per volume of sample taken (mol/m3 or kg/m3), 0 for
    the sample alone.  `signals`: the replicates of each level.  `volume_ratio` (k,): total volume of the
    solution over the volume of sample in it; the signal less the blank is multiplied by it, so that the
    x-intercept is the concentration in the sample taken, which `dilution` carries back to the original
    one.  Without it the volume is taken as constant.  `blank_signals`: replicates without sample; a
    signal that is not zero without analyte otherwise counts as analyte.

    Weighting "volume" takes the noise of the signal as measured to be constant (equal weights while the
    volume is constant), "none" that of the corrected signal, "1/s2" the variances found at each
    level.  Miller & Miller, Statistics and Chemometrics for Analytical Chemistry, ch. 5; Meija, Pagliano
    & Mester, Anal. Chem. 86 (2014) 8563.  Raises AnalysisError for fewer than two levels, all the same
    amount, or a signal that does not grow.
    """
    levels = floats("added", added, at_least=2)
    if np.any(levels < 0):
        raise AnalysisError(f"added holds {levels.min():.6g}; an amount added cannot be negative.")
    if len(signals) != levels.size:
        raise AnalysisError(f"There are {levels.size} levels and {len(signals)} sets of signals; give one each.")
    ratio = np.ones_like(levels)
    if volume_ratio is not None:
        ratio = floats("volume_ratio", volume_ratio)
        same_length("volume_ratio", ratio, "added", levels)
        all_positive("volume_ratio", ratio)
    factor = measured("dilution", dilution)
    blanks = None if blank_signals is None else floats("blank_signals", blank_signals)
    blank = 0.0 if blanks is None else float(blanks.mean())
    raw = [floats(f"signals[{index}]", replicates) for index, replicates in enumerate(signals)]
    corrected = [(replicates - blank) * r for replicates, r in zip(raw, ratio, strict=True)]
    counts = np.array([replicates.size for replicates in corrected])
    x, y = np.repeat(levels, counts), np.concatenate(corrected)
    variance = _variance(weighting, levels, corrected, np.repeat(ratio, counts), x)
    line = fit_line(x, y, weights=1 / variance, x_name="added", y_name="signals")
    if line.slope == 0 or line.slope * line.y_mean <= 0:
        raise AnalysisError("The signal does not grow with the amount added; check the electrode and the standard.")
    at_zero = float(variance[int(np.argmin(x))])
    spread = 1 / line.points + (0.0 if blanks is None else at_zero / blanks.size)
    estimate = quotient(line, line.y_mean, spread, offset=-line.x_mean, interval=interval, confidence=confidence)
    linearity = None
    if np.unique(x).size > 2 and x.size > 3:
        linearity = mandel(x, y, weights=1 / variance)
    remarks = (*estimate.warnings, *_remarks(estimate.value, levels, linearity))
    taken = estimate.model_copy(update={"warnings": remarks})
    return AdditionResult(
        taken=taken,
        concentration=diluted(taken, factor),
        line=line,
        linearity=linearity,
        weighting=weighting,
        blank=blank,
    )


def _variance(
    weighting: AdditionWeighting, levels: Floats, corrected: Sequence[Floats], ratio: Floats, x: Floats
) -> Floats:
    """Relative variance of each single corrected signal; its inverse averages 1."""
    if weighting == "1/s2":
        found = relative_variance("1/s2", levels, corrected, x)
        return np.array([found(float(at)) for at in x])
    raw = ratio**2 if weighting == "volume" else np.ones_like(x)
    return np.asarray(raw * np.mean(1 / raw))


def _remarks(value: float, levels: Floats, linearity: FTest | None) -> Sequence[str]:
    remarks = []
    if value < 0:
        remarks.append("The result is below zero: check the blank and the baseline.")
    if levels.min() > 0:
        remarks.append("The sample without addition was not measured; the x-intercept is extrapolated further.")
    if np.unique(levels).size == 2:
        remarks.append("With a single addition nothing tests whether the response is linear.")
    if levels.max() < value:
        remarks.append(
            "The largest addition is smaller than what the sample holds, which makes the x-intercept uncertain; "
            "add at least as much as is found (common practice)."
        )
    if linearity is not None and not linearity.passed:
        remarks.append(
            f"The response is curved by the test {linearity.name}: F = {linearity.statistic:.3g} exceeds "
            f"{linearity.critical:.3g}; an x-intercept of a straight line is then wrong."
        )
    return remarks
