"""The kind `concentration`: a sample's, read from a stored calibration."""

from collections.abc import Iterator, Sequence

from luggin.daemon.analysis.calibration import check, concentration, variance
from luggin.daemon.analysis.detection_limits import iso_11843
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Measured
from luggin.daemon.analysis.inverse import diluted
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.quantification import cut, recovered, subject_of, told
from luggin.daemon.evaluation.readings import Readings, electrode, method, one_of, procedure, read_runs, sample, signals
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.addition_settings import BLANK, SAMPLE
from luggin.protocol.evaluation.quantification_results import Calibration, CalibrationBody, ConcentrationBody
from luggin.protocol.evaluation.quantification_settings import ConcentrationSettings
from luggin.protocol.payloads import Evaluation


def found_in_sample(runs: Sequence[RunData], settings: ConcentrationSettings) -> Finding:
    """Replicates of one sample.  No signal at all is an answer too.  Raises EvaluationError, AnalysisError."""
    source, calibration = _calibration(runs[0], settings.calibration)
    wanted = settings.model_copy(
        update={"analyte": settings.analyte or calibration.analyte, "signal": settings.signal or calibration.signal}
    )
    absent = [name for name in settings.blanks if name not in {run.run for run in runs}]
    if absent:
        raise EvaluationError(f"blanks names the run {absent[0]}, which is not among the runs; name it there too")
    labels = {run.run: BLANK if run.run in settings.blanks or _tagged(run) else SAMPLE for run in runs}
    readings = read_runs(runs, wanted, labels, [BLANK])
    blank_runs = {run for run, label in labels.items() if label == BLANK}
    samples = [run for run in runs if labels[run.run] == SAMPLE]
    if not samples:
        raise EvaluationError("all runs are blanks; name those of the sample as well")
    name_of_sample, differing = one_of(samples, "sample", [*map(sample, samples)])
    warnings = [*readings.warnings, *differing, *_foreign(source, calibration, runs, wanted, readings)]
    found = signals(readings.used(SAMPLE))
    blanks = signals(readings.used(BLANK))
    if blank_runs and not blanks:
        warnings.append("No blank counts, so none is subtracted.")
    taken = decision = None
    if found:
        taken = concentration(
            calibration,
            found,
            blank_signals=blanks or None,
            interval=settings.interval,
            confidence=settings.confidence,
        )
        decision = _decision(calibration, len(found))
        warnings += taken.warnings
        if readings.absent - blank_runs:
            warnings.append("The mean of the other runs is too high if these show no signal for lack of analyte.")
    elif readings.absent - blank_runs:
        warnings.append(
            f"No peak of {wanted.analyte} was found in any run: there is less than the evaluation of the curves finds."
        )
    else:
        raise EvaluationError("no run of the sample counts: " + " ".join(readings.warnings))
    factor = Measured(settings.dilution, settings.dilution_uncertainty)
    original = None if taken is None else diluted(taken, factor)
    share, doubts = recovered(original, settings.recovery, calibration.concentration_unit, runs[0], settings.confidence)
    body = ConcentrationBody(
        analyte=wanted.analyte,
        sample=name_of_sample,
        calibration=source.name,
        signal=wanted.signal,
        signal_unit=readings.unit or calibration.signal_unit,
        concentration_unit=calibration.concentration_unit,
        dilution=settings.dilution,
        readings=readings.each,
        measured=taken,
        concentration=original,
        detected=False if taken is None else None if decision is None else taken.value >= decision,
        decision=decision,
        recovery=share,
        quantities=told(original, "concentration") | told(share, "recovery"),
    )
    return Finding(body.model_dump(mode="json"), cut([*warnings, *doubts]), subject_of(name_of_sample))


def _tagged(run: RunData) -> bool:
    """Whether a sequence has labelled the run as a blank."""
    return BLANK in run.header.method.get("setup", {}).get("tags", ())


def _calibration(run: RunData, name: str) -> tuple[Evaluation, Calibration]:
    found = run.stored(name) or run.stored(f"calibration/{name}")
    if found is None or found.kind != "calibration":
        raise EvaluationError(
            f"calibration is {name}, and no such one is stored; `luggin results --kind calibration` lists them"
        )
    calibration = CalibrationBody.model_validate(found.body).calibration
    check(calibration)
    return found, calibration


def _decision(calibration: Calibration, measurements: int) -> float | None:
    try:
        return iso_11843(
            calibration.line, measurements=measurements, relative_variance=variance(calibration)(0.0)
        ).decision
    except AnalysisError:  # a line without scatter has no limits
        return None


def _foreign(
    source: Evaluation,
    calibration: Calibration,
    runs: Sequence[RunData],
    wanted: ConcentrationSettings,
    readings: Readings,
) -> Iterator[str]:
    """Why the calibration may not hold for these runs: expired, or made for something else."""
    called = f'The calibration "{calibration.name}"'
    late = [run.run for run in runs if source.expires is not None and run.header.utc > source.expires]
    if late:
        yield f"{called} had expired when {', '.join(late)} began; calibrate again."
    for what, made_for, used_for in (
        ("analyte", calibration.analyte, wanted.analyte),
        ("signal", calibration.signal, wanted.signal),
    ):
        if made_for != used_for:
            yield f"{called} was made for the {what} {made_for} and is used for {used_for}."
    for run in runs:
        if calibration.electrode != electrode(run):
            yield _other("electrode", called, calibration.electrode, electrode(run), run.run)
        if calibration.method != method(run):
            yield _other("method", called, calibration.method, method(run), run.run)
        elif calibration.procedure not in ("", procedure(run)):
            yield f"{called} was made with other phases of the method {method(run)} than run {run.run}."
    if "" not in (calibration.found_by, readings.found_by) and calibration.found_by != readings.found_by:
        yield f"{called} was made from signals that were found with other settings than those of these runs."


def _other(what: str, called: str, made_for: str, used_for: str, run: str) -> str:
    return f"{called} was made with the {what} {made_for or 'not named'}; run {run} has {used_for or 'none named'}."
