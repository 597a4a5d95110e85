"""The kind `standard-addition`: the concentration in a sample from its signals before and after known additions."""

from collections.abc import Sequence

from luggin.daemon.analysis.addition import standard_addition
from luggin.daemon.analysis.estimate import Measured
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.quantification import by_tags, cut, outliers, recovered, subject_of, told
from luggin.daemon.evaluation.readings import Readings, electrode, method, one_of, read_runs, sample, signals
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.addition_settings import BLANK, StandardAddition, label_of
from luggin.protocol.evaluation.quantification_results import AdditionBody, AdditionLevel


def found_by_addition(runs: Sequence[RunData], settings: StandardAddition) -> Finding:
    """Every complete run of a level counts, those that were repeated too; what does not count is said.

    Raises EvaluationError, AnalysisError where the runs give no line.
    """
    names = [label_of(level) for level in range(len(settings.additions) + 1)]
    known = [BLANK, *names] if settings.blank else names
    labels = by_tags(runs, known, settings.labels)
    readings = read_runs(runs, settings, labels, [BLANK])
    if not any(labels.values()):
        raise EvaluationError(
            f"no run has one of the labels {', '.join(known)} among its tags; give labels, a table of run = label"
        )
    blanks = signals(readings.used(BLANK)) if settings.blank else []
    present = [level for level, name in enumerate(names) if readings.used(name)]
    if len(present) < 2:
        said = " ".join(readings.warnings)
        raise EvaluationError(f"fewer than two levels have a signal, so there is no line. {said}".strip())
    replicates = {names[level]: readings.used(names[level]) for level in present}
    result = standard_addition(
        [settings.added[level] for level in present],
        [signals(found) for found in replicates.values()],
        volume_ratio=[settings.volume_ratio[level] for level in present],
        blank_signals=blanks or None,
        dilution=Measured(settings.dilution, settings.dilution_uncertainty),
        weighting=settings.weighting,
        interval=settings.interval,
        confidence=settings.confidence,
    )
    counted = {each.run for each in readings.each if each.used}
    mine = [run for run in runs if run.run in counted]
    name_of_sample, differing = one_of(mine, "sample", [*map(sample, mine)])
    warnings = [
        *readings.warnings,
        *differing,
        *one_of(mine, "method", [*map(method, mine)])[1],
        *one_of(mine, "electrode", [*map(electrode, mine)])[1],
        *_counts(settings, readings, known),
    ]
    tests, doubts = outliers(replicates)
    original = result.concentration
    share, more = recovered(original, settings.recovery, settings.concentration_unit, runs[0], settings.confidence)
    body = AdditionBody(
        name=settings.name,
        analyte=settings.analyte,
        sample=name_of_sample,
        signal=settings.signal,
        signal_unit=readings.unit,
        concentration_unit=settings.concentration_unit,
        dilution=settings.dilution,
        blank=result.blank,
        levels=tuple(_level(settings, readings, level, result.blank) for level in present),
        readings=readings.each,
        line=result.line,
        taken=result.taken,
        concentration=original,
        linearity=result.linearity,
        outliers=tests,
        recovery=share,
        quantities=told(original, "concentration") | told(share, "recovery") | {"slope": result.line.slope},
    )
    return Finding(
        body.model_dump(mode="json"), cut([*warnings, *original.warnings, *doubts, *more]), subject_of(name_of_sample)
    )


def _level(settings: StandardAddition, readings: Readings, level: int, blank: float) -> AdditionLevel:
    label, ratio = label_of(level), settings.volume_ratio[level]
    used = readings.used(label)
    return AdditionLevel(
        label=label,
        added=settings.added[level],
        volume_ratio=ratio,
        signals=tuple(signals(used)),
        corrected=tuple((signal - blank) * ratio for signal in signals(used)),
        runs=tuple(reading.run for reading in used),
    )


def _counts(settings: StandardAddition, readings: Readings, known: Sequence[str]) -> list[str]:
    """Where there are more or fewer replicates than were planned."""
    said = []
    for label in known:
        found = len(readings.used(label))
        if found == 0 and label == BLANK:
            said.append("The plan has a blank and none counts, so none is subtracted.")
        elif found == 0:
            said.append(f"{label} has no signal and is left out of the line.")
        elif found != settings.replicates:
            how = "all of them count" if found > settings.replicates else "the others are missing or left out"
            said.append(f"{label} has {found} runs and the plan asks for {settings.replicates}; {how}.")
    return said
