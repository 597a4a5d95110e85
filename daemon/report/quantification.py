"""Calibrations, concentrations and standard additions in a report: the result with its interval first."""

from collections.abc import Sequence

from luggin.daemon.cli.quantification_pages import estimated
from luggin.daemon.figures.quantification import line_figure
from luggin.daemon.report.parts import Fact, Part, Table, measured, scaled
from luggin.daemon.report.pictures import picture
from luggin.protocol.evaluation.concentrations import scaled as scaled_concentration
from luggin.protocol.evaluation.concentrations import shown
from luggin.protocol.evaluation.quantification_results import (
    AdditionBody,
    CalibrationBody,
    ConcentrationBody,
    Reading,
)
from luggin.protocol.evaluation.statistics import Estimate, FTest, Limits, Line
from luggin.protocol.payloads import Evaluation


def calibration_part(made: Evaluation) -> Part:
    """The line, its standards with residuals, its tests and limits."""
    body = CalibrationBody.model_validate(made.body)
    document, line = body.calibration, body.calibration.line
    unit = document.concentration_unit
    factor, word = scaled_concentration(line.x_max, unit)
    by, prefix = scaled([signal for standard in document.standards for signal in standard.signals])
    rows = []
    for standard in document.standards:
        mean = sum(standard.signals) / len(standard.signals)
        off = mean - (line.intercept + line.slope * standard.concentration)
        signals = ", ".join(f"{signal * by:.4g}" for signal in standard.signals)
        rows.append((f"{standard.concentration * factor:.4g}", signals, f"{off * by:+.2g}", ", ".join(standard.runs)))
    signal_title = f"signal / {_unit(prefix, document.signal_unit)}"
    used_for = f"method {document.method or 'not named'}, electrode {document.electrode or 'not named'}"
    return Part(
        title=f"Calibration {document.name}: {document.analyte}",
        result=_line(line, unit, document.signal_unit),
        pictures=[picture(line_figure(made), "Standards, the line through them and its confidence band.")],
        facts=[
            ("made for", used_for),
            ("signal", f"{document.signal}, weighting {document.weighting}"),
            ("range", f"{shown(line.x_min, unit)} to {shown(line.x_max, unit)}"),
            *_tests([body.mandel, body.lack_of_fit]),
            *_left_out(body.readings),
        ],
        tables=[
            Table((f"c / ({word})", signal_title, "residual of the mean", "runs"), rows, "Standards"),
            *_limits(body.limits, unit),
        ],
    )


def concentration_part(made: Evaluation) -> Part:
    """What is in the sample, by a calibration."""
    body = ConcentrationBody.model_validate(made.body)
    unit = body.concentration_unit
    by, prefix = scaled([each.value for each in body.readings])
    facts: list[Fact] = [("calibration", body.calibration), ("signal", body.signal)]
    result = ["Not detected"]
    if body.concentration is not None and body.measured is not None:
        result = [estimated(body.concentration, unit)]
        facts.append(("interval", body.concentration.method))
        if body.dilution != 1:
            facts.append(("as measured", f"{estimated(body.measured, unit)}, diluted {body.dilution:g} times"))
    if body.decision is not None:
        verdict = "detected" if body.detected else "NOT DETECTED"
        facts.append(("detection", f"{verdict}; decision limit {shown(body.decision, unit)} (ISO 11843-2)"))
    return Part(
        title=f"{body.analyte} in {body.sample or 'a sample without name'}",
        result=result,
        facts=[*facts, *_recovery(body.recovery)],
        tables=[_readings(body.readings, by, _unit(prefix, body.signal_unit))],
    )


def addition_part(made: Evaluation) -> Part:
    """What is in the sample, by additions of standard to it."""
    body = AdditionBody.model_validate(made.body)
    unit = body.concentration_unit
    factor, word = scaled_concentration(max(level.added for level in body.levels), unit)
    by, prefix = scaled([signal for level in body.levels for signal in (*level.signals, *level.corrected)])
    title = _unit(prefix, body.signal_unit)
    rows = [
        (
            level.label,
            f"{level.added * factor:.4g}",
            ", ".join(f"{signal * by:.4g}" for signal in level.signals),
            f"{level.volume_ratio:.5g}",
            measured(sum(level.corrected) / len(level.corrected), None, by),
            ", ".join(level.runs),
        )
        for level in body.levels
    ]
    head = ("solution", f"c added / ({word})", f"signal / {title}", "V / V sample", f"corrected / {title}", "runs")
    diluted = [("as taken", f"{estimated(body.taken, unit)}, diluted {body.dilution:g} times")]
    return Part(
        title=f"{body.analyte} in {body.sample or 'a sample without name'}, by standard addition",
        result=[estimated(body.concentration, unit)],
        pictures=[picture(line_figure(made), "The sample's concentration is where the line meets zero signal.")],
        facts=[
            ("interval", body.concentration.method),
            *(diluted if body.dilution != 1 else []),
            ("signal", body.signal),
            *[("line", each) for each in _line(body.line, unit, body.signal_unit)],
            *_tests([body.linearity]),
            *_recovery(body.recovery),
            *_left_out(body.readings),
        ],
        tables=[Table(head, rows, "Additions")],
    )


def _line(line: Line, unit: str, signal_unit: str) -> list[str]:
    factor, word = scaled_concentration(line.x_max, unit)
    by, prefix = scaled([line.slope * line.x_max, line.intercept])
    signal = _unit(prefix, signal_unit)
    slope = f"slope ({measured(line.slope, line.slope_sd, by / factor)}) {signal}/({word})"
    said = [f"{slope}, intercept ({measured(line.intercept, line.intercept_sd, by)}) {signal}"]
    if line.residual_sd is not None:
        scatter = f"{line.residual_sd * by:.3g} {signal}"
        said.append(f"residual standard deviation {scatter}, {line.degrees_of_freedom} degrees of freedom")
    return said


def _tests(tests: Sequence[FTest | None]) -> list[Fact]:
    return [
        (
            "linearity",
            f"{'passed' if test.passed else 'NOT PASSED'}, {test.name}: F = {test.statistic:.3g},"
            f" critical {test.critical:.3g} at {test.confidence:.0%}",
        )
        for test in tests
        if test is not None
    ]


def _limits(limits: Sequence[Limits], unit: str) -> list[Table]:
    if not limits:
        return []
    factor, word = scaled_concentration(max(limit.detection for limit in limits), unit)
    rows = [
        (
            each.definition,
            measured(each.decision, None, factor, 3),
            measured(each.detection, None, factor, 3),
            measured(each.quantification, None, factor, 3),
        )
        for each in limits
    ]
    return [Table(("definition", "decision", "detection", "quantification"), rows, f"Limits / ({word})")]


def _readings(readings: Sequence[Reading], by: float, title: str) -> Table:
    rows = [
        (each.run, each.label, measured(each.value, None, by), "" if each.used else "does not count", each.note)
        for each in readings
    ]
    return Table(("run", "solution", f"signal / {title}", "", ""), rows, "Readings")


def _left_out(readings: Sequence[Reading]) -> list[Fact]:
    left = [f"{each.run}{f' ({each.note})' if each.note else ''}" for each in readings if not each.used]
    return [("not counted", ", ".join(left))] if left else []


def _recovery(recovery: Estimate | None) -> list[Fact]:
    if recovery is None:
        return []
    words = f"{recovery.value:.1%}"
    if recovery.lower is not None and recovery.upper is not None:
        words += f", {recovery.confidence:.0%} interval {recovery.lower:.1%} to {recovery.upper:.1%}"
    return [("recovery", words)]


def _unit(prefix: str, unit: str) -> str:
    if not unit:
        return "1"
    return f"({prefix}{unit})" if " " in unit else f"{prefix}{unit}"
