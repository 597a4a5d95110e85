"""The kind `peaks`: from a run's measuring phase to peaks, couples and analytes."""

from collections.abc import Sequence

import numpy as np

from luggin.daemon.analysis.assign import assign
from luggin.daemon.analysis.by_hand import remove_peak, set_peak
from luggin.daemon.analysis.ohmic import OhmicRecord, correct_ohmic_drop
from luggin.daemon.analysis.pairing import PairSettings, RedoxPair, SweepPeaks, couples, sweep_peaks
from luggin.daemon.analysis.peak_models import PeakResult
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.run_data import Columns, RunData
from luggin.protocol.evaluation.peak_results import AnalytePeak, Couple, OhmicCorrection, PeaksBody, Place, Sweep
from luggin.protocol.evaluation.peak_settings import AnalyteList, PeakEdit, Peaks, PeakSettings
from luggin.protocol.points import Array

_LINEAR = {"linear-sweep-voltammetry", "cyclic-voltammetry", "linear-sweep-stripping-voltammetry"}
"""Techniques whose area over the scan rate is a charge."""
MOST_WARNINGS = 20


def find_peaks(runs: Sequence[RunData], settings: Peaks) -> Finding:
    """Peaks of one run; no peak is an answer too, and says why.  Raises EvaluationError, AnalysisError."""
    (run,) = runs
    columns, usable, warnings = _curve(run)
    potential, current, ohmic = _corrected(columns["potential"], columns["current"], settings)
    time = columns.get("time") if run.technique in _LINEAR else None
    found = sweep_peaks(
        potential,
        current,
        time=time,
        cycle=columns.get("cycle"),
        usable=usable,
        settings=PeakSettings.model_validate(settings.model_dump(include=set(PeakSettings.model_fields))),
    )
    for edit in settings.edits:
        found = _edited(found, edit, potential, current, time, usable)
    pairs = couples(found, current, usable, PairSettings(widest_separation=settings.widest_separation))
    body = _body(found, pairs, columns["index"], settings).model_copy(update={"ohmic": ohmic})
    return Finding(body.model_dump(mode="json"), tuple([*warnings, *_warnings(body)][:MOST_WARNINGS]))


def _curve(run: RunData) -> tuple[Columns, Array, list[str]]:
    """`index`, `potential`, `current` and what else there is of `time` and `cycle`; which points are fit; warnings."""
    measured, fit, warnings = run.measured, run.fit, list[str]()
    channels = np.unique(measured["channel"]) if "channel" in measured else np.empty(0)
    if channels.size > 1:
        others = ", ".join(f"{channel:g}" for channel in channels[1:])
        warnings.append(f"these are the peaks of channel {channels[0]:g}; channels {others} are not looked at")
        mine = measured["channel"] == channels[0]
        measured, fit = {name: values[mine] for name, values in measured.items()}, fit[mine]
    names = ("applied_potential", "potential")
    potential = next((measured[name] for name in names if name in measured), None)
    if len(measured["index"]) == 0:
        nothing = np.empty(0)
        return {"index": measured["index"], "potential": nothing, "current": nothing}, fit, warnings
    if potential is None or "current" not in measured:
        lacking = "current" if potential is not None else "potential"
        raise EvaluationError(f"run {run.run} has no {lacking} among its columns; peaks need potential and current")
    rest = {name: measured[name] for name in ("index", "time", "cycle", "current") if name in measured}
    return {**rest, "potential": potential}, fit, warnings


def _corrected(potential: Array, current: Array, settings: Peaks) -> tuple[Array, Array, OhmicCorrection]:
    """Potential without ohmic drop, the current, and what was taken off; no instrument here compensates by itself."""
    resistance, known = settings.uncompensated_resistance, np.isfinite(potential) & np.isfinite(current)
    if resistance is None or not known.any():
        return potential, current, OhmicCorrection()
    without = potential.astype(float).copy()
    without[known], record = correct_ohmic_drop(potential[known], current[known], resistance, OhmicRecord())
    return without, current, OhmicCorrection(by_instrument=record.by_instrument, subtracted=record.subtracted)


def _edited(
    found: tuple[SweepPeaks, ...], edit: PeakEdit, potential: Array, current: Array, time: Array | None, usable: Array
) -> tuple[SweepPeaks, ...]:
    number = edit.sweep or 1
    if edit.sweep is None and len(found) > 1:
        raise EvaluationError(f"the run has {len(found)} sweeps; say in which one the peak is, counted from 1")
    if number > len(found):
        raise EvaluationError(f"sweep {number} doesn't exist; the run has {len(found)}")
    sweep = found[number - 1]
    part = slice(sweep.start, sweep.stop)
    e, i, fit = potential[part], current[part], usable[part]
    if edit.anchors is None:
        result = _removed(sweep.result, edit)
    else:
        at = _farthest(e[fit], i[fit], edit.anchors) if edit.potential is None else edit.potential
        t = None if time is None else time[part]
        result = set_peak(sweep.result, e, i, at=at, anchors=edit.anchors, time=t, usable=fit)
    changed = sweep.model_copy(update={"result": result})
    return (*found[: number - 1], changed, *found[number:])


def _removed(result: PeakResult, edit: PeakEdit) -> PeakResult:
    """Without the peak at that place; a peak elsewhere is not what was meant."""
    at = edit.potential
    assert at is not None
    nearest = min(result.peaks, key=lambda peak: abs(peak.potential - at), default=None)
    if nearest is not None:
        reach = max(nearest.half_width or 0.0, result.settings.minimum_half_width)
        if abs(nearest.potential - at) > reach:
            raise EvaluationError(
                f"there is no peak at {at:g} V to remove; the nearest one is at {nearest.potential:.4g} V"
            )
    return remove_peak(result, at)


def _farthest(potential: Array, current: Array, anchors: tuple[float, float]) -> float:
    """Where between the anchors (V) the curve is farthest from the straight line between its points there."""
    low, high = sorted(anchors)
    order = np.argsort(potential, kind="stable")
    e, i = potential[order].astype(np.float64), current[order].astype(np.float64)
    inside = np.flatnonzero((e > low) & (e < high) & np.isfinite(i))
    if inside.size < 3:
        raise EvaluationError(f"the curve has no points between {low:g} and {high:g} V; set the peak where it has")
    first, last = np.interp((low, high), e, i)
    line = first + (last - first) * (e[inside] - low) / (high - low)
    return float(e[inside][np.argmax(np.abs(i[inside] - line))])


def _body(found: Sequence[SweepPeaks], pairs: Sequence[RedoxPair], index: Array, settings: Peaks) -> PeaksBody:
    sweeps = tuple(_sweep(number, each, index) for number, each in enumerate(found, 1))
    places = {
        id(peak): Place(sweep=sweep.number, peak=place) for sweep in sweeps for place, peak in enumerate(sweep.peaks)
    }
    analytes: list[AnalytePeak] = []
    unassigned: list[Place] = []
    if settings.analytes:
        wanted = AnalyteList(analytes=settings.analytes)
        for sweep in sweeps:
            assignment = assign(sweep.peaks, wanted)
            analytes += [
                AnalytePeak(
                    analyte=each.analyte,
                    sweep=sweep.number,
                    status=each.status,
                    peak=None if each.peak is None else places[id(each.peak)].peak,
                    window=each.window,
                    note=each.note,
                )
                for each in assignment.analytes
            ]
            unassigned += [places[id(peak)] for peak in assignment.unassigned]
    return PeaksBody(
        sweeps=sweeps,
        couples=tuple(_couple(pair, places) for pair in pairs),
        analytes=tuple(analytes),
        unassigned=tuple(unassigned),
    )


def _sweep(number: int, each: SweepPeaks, index: Array) -> Sweep:
    result = each.result
    return Sweep(
        number=number,
        first=int(index[each.start]),
        after=int(index[each.stop - 1]) + 1,
        cycle=each.cycle,
        direction=each.direction,
        noise=result.noise,
        scan_rate=result.scan_rate,
        points_used=result.points_used,
        points_ignored=result.points_ignored,
        peaks=result.peaks,
        notes=result.notes,
    )


def _couple(pair: RedoxPair, places: dict[int, Place]) -> Couple:
    return Couple(
        cycle=pair.cycle,
        forward=pair.forward,
        anodic=places[id(pair.anodic)],
        cathodic=places[id(pair.cathodic)],
        half_wave_potential=pair.half_wave_potential,
        u_half_wave_potential=pair.u_half_wave_potential,
        separation=pair.separation,
        u_separation=pair.u_separation,
        height_ratio=pair.height_ratio,
        u_height_ratio=pair.u_height_ratio,
    )


def _warnings(body: PeaksBody) -> list[str]:
    """What was noted, each sentence once; why nothing was found, where that is so."""
    if not body.sweeps:
        return ["no peak found: the measuring phase has no points in which the potential is scanned"]
    nothing = "no peak found"
    notes = dict.fromkeys(note for sweep in body.sweeps for note in sweep.notes)
    if any(sweep.peaks for sweep in body.sweeps):
        notes = {note: None for note in notes if note != nothing}
    doubts = dict.fromkeys(note for _, peak in body.peaks for note in peak.notes)
    unclear = dict.fromkeys(
        f"{each.analyte}: {each.note or each.status}" for each in body.analytes if each.status != "found"
    )
    return [*notes, *doubts, *unclear]
