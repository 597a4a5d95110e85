"""External calibration: the line through the standards, its tests, and its use on samples."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, floats
from luggin.daemon.analysis.detection_limits import iso_11843
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Known, Result, measured
from luggin.daemon.analysis.inverse import diluted, quotient
from luggin.daemon.analysis.linearity import lack_of_fit, mandel
from luggin.daemon.analysis.outliers import outlier_test
from luggin.daemon.analysis.regression import fit_line
from luggin.daemon.analysis.weighting import RelativeVariance, relative_variance
from luggin.protocol.evaluation.concentrations import shown
from luggin.protocol.evaluation.quantification_results import Calibration, Standards
from luggin.protocol.evaluation.quantification_settings import Interval
from luggin.protocol.evaluation.statistics import Estimate, FTest, Line, OutlierTest


class CalibrationQuality(Result):
    """Tests of a calibration: linearity, and outliers among the replicates of each level."""

    mandel: FTest | None
    lack_of_fit: FTest | None
    outliers: tuple[tuple[float, OutlierTest], ...]
    warnings: tuple[str, ...]


def calibrate(standards: Standards) -> Calibration:
    """Fit the line through all single measurements; raises AnalysisError when it has no slope."""
    line = fitted(standards)
    if line.slope == 0:
        raise AnalysisError("All standards give the same signal; a calibration needs a signal that changes.")
    fields = {name: getattr(standards, name) for name in Standards.model_fields}
    return Calibration(**fields, line=line)


def levels(standards: Standards) -> Floats:
    """Concentrations of the levels, shape (k,)."""
    return np.array([standard.concentration for standard in standards.standards])


def points(standards: Standards) -> tuple[Floats, Floats]:
    """Every single measurement: concentration and signal, both of shape (n,)."""
    x = [standard.concentration for standard in standards.standards for _ in standard.signals]
    y = [signal for standard in standards.standards for signal in standard.signals]
    return np.array(x), np.array(y)


def variance(standards: Standards) -> RelativeVariance:
    """Relative variance of a single signal as a function of concentration, as the weighting says."""
    replicates = [np.array(standard.signals) for standard in standards.standards]
    return relative_variance(standards.weighting, levels(standards), replicates, points(standards)[0])


def weights(standards: Standards) -> Floats:
    """Weight of every single measurement, the inverse of its relative variance, shape (n,)."""
    relative = variance(standards)
    return np.array([1 / relative(float(x)) for x in points(standards)[0]])


def fitted(standards: Standards) -> Line:
    """The straight line through all single measurements; raises AnalysisError where there is none."""
    x, y = points(standards)
    return fit_line(x, y, weights=weights(standards), x_name="concentrations", y_name="signals")


def check(calibration: Calibration) -> None:
    """Raise AnalysisError unless the line follows from the standards: a document may have been edited."""
    line = fitted(calibration)
    stored, due = (calibration.line.slope, calibration.line.intercept), (line.slope, line.intercept)
    if calibration.line.points != line.points or not np.allclose(stored, due, rtol=1e-9, atol=0):
        raise AnalysisError("The line does not follow from the standards; calibrate again from the standards.")


def quality(calibration: Standards, *, confidence: float = 0.95) -> CalibrationQuality:
    """Test linearity (Mandel at 99 %, lack of fit at `confidence`) and replicates for outliers."""
    x, y = points(calibration)
    w = weights(calibration)
    curved = mandel(x, y, weights=w) if x.size > 3 else None
    misfit = None
    if np.unique(x).size < x.size:
        misfit = lack_of_fit(x, y, weights=w, confidence=confidence)
    outliers = tuple(
        (standard.concentration, outlier_test(standard.signals, confidence=confidence))
        for standard in calibration.standards
        if len(standard.signals) >= 3 and max(standard.signals) > min(standard.signals)
    )
    warnings = [
        f"Not a straight line by the test {test.name}: F = {test.statistic:.3g} exceeds {test.critical:.3g}."
        for test in (curved, misfit)
        if test is not None and not test.passed
    ]
    warnings += [
        f"Replicate {test.index + 1} at {shown(level, calibration.concentration_unit)} may be an outlier "
        f"({test.name}, {test.statistic:.3g} exceeds {test.critical:.3g})."
        for level, test in outliers
        if test.outlier
    ]
    return CalibrationQuality(mandel=curved, lack_of_fit=misfit, outliers=outliers, warnings=tuple(warnings))


def concentration(
    calibration: Calibration,
    signals: ArrayLike,
    *,
    blank_signals: ArrayLike | None = None,
    dilution: Known = 1.0,
    interval: Interval = "fieller",
    confidence: float = 0.95,
) -> Estimate:
    """Concentration of a sample from the signals of its replicates, shape (m,).

    With `blank_signals` (the procedure carried out without sample) the difference to their mean is
    evaluated and the intercept drops out; without, the intercept of the line stands for the
    blank.  `dilution` is the factor by which the sample was diluted.  The scatter of a signal is taken from
    the calibration, for one replicate residual sd squared times the weighting's relative variance.  IUPAC,
    Pure Appl. Chem. 70 (1998) 993.
    """
    sample = floats("signals", signals)
    factor = measured("dilution", dilution)
    line = calibration.line
    relative = variance(calibration)
    plain = (float(sample.mean()) - line.intercept) / line.slope
    if blank_signals is None:
        spread = relative(plain) / sample.size + 1 / line.points
        difference, offset = float(sample.mean()) - line.y_mean, line.x_mean
    else:
        blank = floats("blank_signals", blank_signals)
        spread = relative(plain) / sample.size + relative(0.0) / blank.size
        difference, offset = float(sample.mean() - blank.mean()), 0.0
    estimate = quotient(line, difference, spread, offset=offset, interval=interval, confidence=confidence)
    remarks = _remarks(calibration, sample, plain, estimate.value, relative)
    return diluted(estimate.model_copy(update={"warnings": (*estimate.warnings, *remarks)}), factor)


def _remarks(
    calibration: Calibration, sample: Floats, plain: float, value: float, relative: RelativeVariance
) -> Sequence[str]:
    line, unit = calibration.line, calibration.concentration_unit
    remarks = []
    if not line.x_min <= plain <= line.x_max:
        remarks.append(
            f"The measured solution, {shown(plain, unit)}, lies outside the calibrated range "
            f"{shown(line.x_min, unit)} to {shown(line.x_max, unit)}; dilute the sample or add standards."
        )
    if line.residual_sd is not None and line.residual_sd > 0:
        limit = iso_11843(line, measurements=sample.size, relative_variance=relative(0.0))
        if limit.decision is not None and value < limit.decision:
            remarks.append(
                f"The measured solution, {shown(value, unit, 3)}, is below the decision limit "
                f"{shown(limit.decision, unit, 3)} ({limit.definition}): not detected."
            )
    return remarks
