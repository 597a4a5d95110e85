"""The kind `calibration`: the line through standards, its tests and its limits."""

from collections.abc import Callable, Iterator, Sequence

from luggin.daemon.analysis.calibration import calibrate, quality, variance
from luggin.daemon.analysis.detection_limits import din_32645, din_32645_blank, ich_q2, iso_11843
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.quantification import by_tags, cut, outliers
from luggin.daemon.evaluation.readings import electrode, method, one_of, procedure, read_runs, signals
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.concentrations import shown
from luggin.protocol.evaluation.quantification_results import Calibration, CalibrationBody, Standard, Standards
from luggin.protocol.evaluation.quantification_settings import CalibrationSettings
from luggin.protocol.evaluation.statistics import Limits

_FEWEST_BLANKS = _FEWEST_LEVELS = 3


def calibrated(runs: Sequence[RunData], settings: CalibrationSettings) -> Finding:
    """Raises EvaluationError, AnalysisError where the runs give no line."""
    unit = settings.concentration_unit
    names = [shown(float(level.concentration), unit) for level in settings.levels]
    given = {run: name for level, name in zip(settings.levels, names, strict=True) for run in level.runs}
    labelled = by_tags(runs, [level.label for level in settings.levels if level.label], {})
    by_label = {level.label: name for level, name in zip(settings.levels, names, strict=True) if level.label}
    labels = {run: by_label.get(label, "") for run, label in labelled.items()} | given
    absent = [run for run in given if run not in labelled]
    if absent:
        raise EvaluationError(f"levels names the run {absent[0]}, which is not among the runs; name it there too")
    empty = [name for level, name in zip(settings.levels, names, strict=True) if float(level.concentration) == 0]
    readings = read_runs(runs, settings, labels, empty)
    levels = {name: readings.used(name) for name in names}
    warnings = [*readings.warnings]
    warnings += [f"The standard {name} has no signal and is left out." for name, found in levels.items() if not found]
    # What was measured, and with what; a run that doesn't count says nothing of that.
    counted = {reading.run for reading in readings.each if reading.used}
    mine = [run for run in runs if run.run in counted]
    if sum(bool(found) for found in levels.values()) < _FEWEST_LEVELS:
        raise EvaluationError("fewer than three standards have a signal; a calibration needs three")
    name_of_method, methods = one_of(mine, "method", [*map(method, mine)])
    name_of_electrode, electrodes = one_of(mine, "electrode", [*map(electrode, mine)])
    warnings += [*methods, *electrodes]
    standards = Standards(
        name=settings.name,
        analyte=settings.analyte,
        method=name_of_method,
        electrode=name_of_electrode,
        procedure=procedure(mine[0]),
        found_by=readings.found_by,
        signal=settings.signal,
        signal_unit=readings.unit,
        concentration_unit=unit,
        weighting=settings.weighting,
        standards=tuple(
            Standard(
                concentration=float(level.concentration),
                signals=tuple(signals(levels[name])),
                runs=tuple(reading.run for reading in levels[name]),
            )
            for level, name in zip(settings.levels, names, strict=True)
            if levels[name]
        ),
    )
    calibration = calibrate(standards)
    tested = quality(calibration, confidence=settings.confidence)
    tests, doubts = outliers(levels)
    warnings += [each for each in tested.warnings if "may be an outlier" not in each] + doubts
    limits, lacking = _limits(calibration, settings.measurements, signals(levels[empty[0]]) if empty else [])
    line = calibration.line
    body = CalibrationBody(
        calibration=calibration,
        readings=readings.each,
        mandel=tested.mandel,
        lack_of_fit=tested.lack_of_fit,
        outliers=tests,
        limits=limits,
        quantities={"slope": line.slope, "intercept": line.intercept, "r-squared": line.r_squared}
        | ({} if line.residual_sd is None else {"residual-sd": line.residual_sd}),
    )
    return Finding(
        body.model_dump(mode="json"), cut([*warnings, *lacking]), f"calibration/{settings.name}", settings.valid_for
    )


def _limits(
    calibration: Calibration, measurements: int, blanks: Sequence[float]
) -> tuple[tuple[Limits, ...], tuple[str, ...]]:
    """Limits by every definition that the data allow, and why there are not more."""
    line, relative = calibration.line, variance(calibration)
    found: list[Limits] = []
    reasons: dict[str, None] = {}

    def wanted() -> Iterator[Callable[[], Limits]]:
        at_zero = relative(0.0)
        yield lambda: iso_11843(line, measurements=measurements, relative_variance=at_zero)
        yield lambda: din_32645(line, measurements=measurements, relative_variance=at_zero)
        yield lambda: ich_q2(line)
        if len(blanks) >= _FEWEST_BLANKS and max(blanks) > min(blanks):
            yield lambda: din_32645_blank(blanks, line.slope, measurements=measurements)
            yield lambda: ich_q2(line, blank_signals=blanks)

    for limit in wanted():
        try:
            found.append(limit())
        except AnalysisError as error:
            reasons[str(error)] = None
    return tuple(found), tuple(reasons)
