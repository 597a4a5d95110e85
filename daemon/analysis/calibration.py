"""External calibration: the line through the standards, its tests, and its use on samples."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, floats
from luggin.daemon.analysis.calibration_document import Calibration, Standards
from luggin.daemon.analysis.detection_limits import iso_11843
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Estimate, Known, Result, measured
from luggin.daemon.analysis.inverse import Interval, diluted, quotient
from luggin.daemon.analysis.linearity import FTest, lack_of_fit, mandel
from luggin.daemon.analysis.outliers import OutlierTest, outlier_test
from luggin.daemon.analysis.weighting import RelativeVariance


class CalibrationQuality(Result):
    """Tests of a calibration: linearity, and outliers among the replicates of each level."""

    mandel: FTest | None
    lack_of_fit: FTest | None
    outliers: tuple[tuple[float, OutlierTest], ...]
    warnings: tuple[str, ...]


def calibrate(standards: Standards) -> Calibration:
    """Fit the line through all single measurements; raises AnalysisError when it has no slope."""
    line = standards.fitted()
    if line.slope == 0:
        raise AnalysisError("All standards give the same signal; a calibration needs a signal that changes.")
    fields = {name: getattr(standards, name) for name in Standards.model_fields}
    return Calibration(**fields, line=line)


def quality(calibration: Standards, *, confidence: float = 0.95) -> CalibrationQuality:
    """Test linearity (Mandel at 99 %, lack of fit at `confidence`) and replicates for outliers."""
    x, y = calibration.points()
    weights = calibration.weights()
    curved = mandel(x, y, weights=weights) if x.size > 3 else None
    misfit = None
    if np.unique(x).size < x.size:
        misfit = lack_of_fit(x, y, weights=weights, confidence=confidence)
    outliers = tuple(
        (float(standard.concentration), outlier_test(standard.signals, confidence=confidence))
        for standard in calibration.standards
        if len(standard.signals) >= 3 and max(standard.signals) > min(standard.signals)
    )
    warnings = [
        f"Not a straight line by the test {test.name}: F = {test.statistic:.3g} exceeds {test.critical:.3g}."
        for test in (curved, misfit)
        if test is not None and not test.passed
    ]
    warnings += [
        f"Replicate {test.index + 1} at {level:.4g} {calibration.concentration_unit} may be an outlier "
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
    variance = calibration.variance()
    plain = (float(sample.mean()) - line.intercept) / line.slope
    if blank_signals is None:
        spread = variance(plain) / sample.size + 1 / line.points
        difference, offset = float(sample.mean()) - line.y_mean, line.x_mean
    else:
        blank = floats("blank_signals", blank_signals)
        spread = variance(plain) / sample.size + variance(0.0) / blank.size
        difference, offset = float(sample.mean() - blank.mean()), 0.0
    estimate = quotient(line, difference, spread, offset=offset, interval=interval, confidence=confidence)
    remarks = _remarks(calibration, sample, plain, estimate.value, variance)
    return diluted(estimate.model_copy(update={"warnings": (*estimate.warnings, *remarks)}), factor)


def _remarks(
    calibration: Calibration, sample: Floats, plain: float, value: float, variance: RelativeVariance
) -> Sequence[str]:
    line, unit = calibration.line, calibration.concentration_unit
    remarks = []
    if not line.x_min <= plain <= line.x_max:
        remarks.append(
            f"The measured solution, {plain:.4g} {unit}, lies outside the calibrated range "
            f"{line.x_min:.4g} to {line.x_max:.4g} {unit}; dilute the sample or add standards."
        )
    if line.residual_sd is not None and line.residual_sd > 0:
        limit = iso_11843(line, measurements=sample.size, relative_variance=variance(0.0))
        if limit.decision is not None and value < limit.decision:
            remarks.append(
                f"The measured solution, {value:.3g} {unit}, is below the decision limit "
                f"{limit.decision:.3g} {unit} ({limit.definition}): not detected."
            )
    return remarks
