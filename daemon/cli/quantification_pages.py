"""Calibrations, concentrations and standard additions in words for the terminal."""

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from luggin.daemon.cli.words import aligned, duration, moment

if TYPE_CHECKING:
    from luggin.protocol.evaluation.quantification_results import Reading
    from luggin.protocol.evaluation.statistics import Estimate, FTest, Limits, Line
    from luggin.protocol.payloads import Evaluation

_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M"}


def calibration_page(made: "Evaluation") -> Iterator[str]:
    from luggin.protocol.evaluation.concentrations import scaled, shown
    from luggin.protocol.evaluation.quantification_results import CalibrationBody

    body = CalibrationBody.model_validate(made.body)
    document, line = body.calibration, body.calibration.line
    unit = document.concentration_unit
    yield f"calibration {document.name!r} of {document.analyte}: {made.name}"
    yield from _made(made)
    valid = (
        "" if made.expires is None else f", valid for {duration(made.expires - made.utc)}, to {moment(made.expires)}"
    )
    yield f"  made for    method {document.method or 'not named'}, electrode {document.electrode or 'not named'}{valid}"
    yield f"  signal      {document.signal}, weighting {document.weighting}"
    yield from _line(line, unit, document.signal_unit)
    factor, word = scaled(line.x_max, unit)
    by, prefix = _scale([signal for standard in document.standards for signal in standard.signals])
    rows = [(f"c / ({word})", f"signal / {_title(prefix, document.signal_unit)}", "residual of the mean", "runs")]
    for standard in document.standards:
        mean = sum(standard.signals) / len(standard.signals)
        off = mean - (line.intercept + line.slope * standard.concentration)
        signals = ", ".join(f"{signal * by:.4g}" for signal in standard.signals)
        rows.append((f"{standard.concentration * factor:.4g}", signals, f"{off * by:+.2g}", ", ".join(standard.runs)))
    yield from aligned(rows)
    yield from _tests([body.mandel, body.lack_of_fit])
    yield from _limits(body.limits, unit)
    yield f"  range       {shown(line.x_min, unit)} to {shown(line.x_max, unit)}"
    yield from _left_out(body.readings)
    yield from _notes(made)


def concentration_page(made: "Evaluation") -> Iterator[str]:
    from luggin.protocol.evaluation.concentrations import shown
    from luggin.protocol.evaluation.quantification_results import ConcentrationBody

    body = ConcentrationBody.model_validate(made.body)
    unit = body.concentration_unit
    yield f"{body.analyte} in {body.sample or 'a sample without name'}: {made.name}"
    yield from _made(made)
    yield f"  calibration {body.calibration}"
    yield from _readings(body.readings, body.signal_unit)
    if body.concentration is None or body.measured is None:
        yield "  RESULT      not detected"
    else:
        if body.dilution != 1:
            yield f"  measured    {estimated(body.measured, unit)}, diluted {body.dilution:g} times"
        yield f"  RESULT      {estimated(body.concentration, unit)}"
        if body.decision is not None:
            verdict = "detected" if body.detected else "NOT DETECTED"
            yield f"              {verdict}; decision limit of the solution {shown(body.decision, unit)} (ISO 11843-2)"
        yield f"              {body.concentration.method}"
    yield from _recovery(body.recovery)
    yield from _notes(made)


def addition_page(made: "Evaluation") -> Iterator[str]:
    from luggin.protocol.evaluation.concentrations import scaled
    from luggin.protocol.evaluation.quantification_results import AdditionBody

    body = AdditionBody.model_validate(made.body)
    unit = body.concentration_unit
    yield f"standard addition {body.name!r}, {body.analyte} in {body.sample or 'a sample without name'}: {made.name}"
    yield from _made(made)
    factor, word = scaled(max(level.added for level in body.levels), unit)
    by, prefix = _scale([signal for level in body.levels for signal in (*level.signals, *level.corrected)])
    title = _title(prefix, body.signal_unit)
    rows = [("solution", f"c added / ({word})", f"signal / {title}", "V / V sample", f"corrected mean / {title}")]
    for level in body.levels:
        signals = ", ".join(f"{signal * by:.4g}" for signal in level.signals)
        mean = sum(level.corrected) / len(level.corrected)
        rows.append(
            (level.label, f"{level.added * factor:.4g}", signals, f"{level.volume_ratio:.5g}", f"{mean * by:.4g}")
        )
    yield from aligned(rows)
    if any(each.label == "blank" and each.used for each in body.readings):
        yield f"  blank       {body.blank * by:.4g} {title}, subtracted"
    yield from _line(body.line, unit, body.signal_unit)
    yield from _tests([body.linearity])
    if body.dilution != 1:
        yield f"  as taken    {estimated(body.taken, unit)}, diluted {body.dilution:g} times"
    yield f"  RESULT      {estimated(body.concentration, unit)}"
    yield f"              {body.concentration.method}"
    yield from _recovery(body.recovery)
    yield from _left_out(body.readings)
    yield from _notes(made)


def estimated(estimate: "Estimate", unit: str) -> str:
    """A concentration, rounded by its uncertainty, with its interval."""
    from luggin.daemon.analysis.rounding import rounded
    from luggin.protocol.evaluation.concentrations import scaled, shown

    if not estimate.standard_uncertainty or estimate.lower is None or estimate.upper is None:
        return f"{shown(estimate.value, unit)}, without an uncertainty"
    factor, word = scaled(max(abs(estimate.value), estimate.standard_uncertainty), unit)
    u = estimate.standard_uncertainty * factor
    pair = rounded(estimate.value * factor, u)
    low, high = (rounded(bound * factor, u).value for bound in (estimate.lower, estimate.upper))
    share = f"{estimate.confidence * 100:g} %"
    return f"{pair.value} {word}, {share} interval {low} to {high} {word} (standard uncertainty {pair.uncertainty})"


def _made(made: "Evaluation") -> Iterator[str]:
    vouched = "" if made.verified else " (not verified)"
    yield f"  made        {moment(made.utc)} by {made.asked_by}{vouched}, {made.software}"


def _line(line: "Line", unit: str, signal_unit: str) -> Iterator[str]:
    from luggin.protocol.evaluation.concentrations import scaled

    factor, word = scaled(line.x_max, unit)
    by, prefix = _scale([line.slope * line.x_max, line.intercept])
    per = f"{_title(prefix, signal_unit)}/({word})"
    yield f"  slope       {_with(line.slope * by / factor, line.slope_sd, by / factor)} {per}"
    yield f"  intercept   {_with(line.intercept * by, line.intercept_sd, by)} {_title(prefix, signal_unit)}"
    if line.residual_sd is not None:
        scatter = f"{line.residual_sd * by:.3g} {_title(prefix, signal_unit)}"
        yield f"  residual sd {scatter}, {line.degrees_of_freedom} degrees of freedom; r² = {line.r_squared:.6f}"


def _tests(tests: Sequence["FTest | None"]) -> Iterator[str]:
    for test in tests:
        if test is not None:
            verdict = "passed" if test.passed else "NOT PASSED"
            limit = f"F = {test.statistic:.3g}, critical {test.critical:.3g} at {test.confidence:.0%}"
            yield f"  linearity   {verdict}, {test.name}: {limit}"


def _limits(limits: "Sequence[Limits]", unit: str) -> Iterator[str]:
    from luggin.protocol.evaluation.concentrations import scaled

    if not limits:
        return
    factor, word = scaled(max(limit.detection for limit in limits), unit)

    def cell(value: float | None) -> str:
        return "-" if value is None else f"{value * factor:.3g}"

    rows = [("limits", f"decision / ({word})", "detection", "quantification", "definition")]
    rows += [
        ("", cell(each.decision), cell(each.detection), cell(each.quantification), each.definition) for each in limits
    ]
    yield from aligned(rows)


def _readings(readings: "Sequence[Reading]", unit: str) -> Iterator[str]:
    by, prefix = _scale([each.value for each in readings if each.value is not None])
    rows = [("run", "solution", f"signal / {_title(prefix, unit)}", "")]
    for each in readings:
        value = "-" if each.value is None else f"{each.value * by:.4g}"
        rows.append((each.run, each.label, value, "" if each.used else "does not count"))
    yield from aligned(rows)


def _left_out(readings: "Sequence[Reading]") -> Iterator[str]:
    left = [each for each in readings if not each.used]
    if left:
        yield f"  not counted {', '.join(each.run for each in left)}"


def _recovery(recovery: "Estimate | None") -> Iterator[str]:
    if recovery is None:
        return
    words = f"  recovery    {recovery.value:.1%}"
    if recovery.lower is not None and recovery.upper is not None:
        words += f", {recovery.confidence * 100:g} % interval {recovery.lower:.1%} to {recovery.upper:.1%}"
    yield words


def _notes(made: "Evaluation") -> Iterator[str]:
    for warning in made.warnings:
        yield f"  note        {warning}"


def _with(value: float, sd: float | None, factor: float) -> str:
    from luggin.daemon.analysis.rounding import rounded

    return str(rounded(value, sd * factor)) if sd else f"{value:.5g}"


def _scale(values: Sequence[float]) -> tuple[float, str]:
    """(factor, prefix) that bring the largest magnitude between 1 and 1000."""
    largest = max((abs(value) for value in values), default=0.0)
    exponent = min(max(math.floor(math.log10(largest) / 3) * 3, -15), 6) if largest > 0 else 0
    return 10.0**-exponent, _PREFIXES[exponent]


def _title(prefix: str, unit: str) -> str:
    return f"{prefix}{unit}" if unit else f"10^{_exponent(prefix)}" if prefix else "1"


def _exponent(prefix: str) -> int:
    return next(exponent for exponent, each in _PREFIXES.items() if each == prefix)
