"""Peaks that a person sets or removes: a new result that says so."""

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.baseline import Site, baselines
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.grid import Unfit, prepare
from luggin.daemon.analysis.measure import read
from luggin.daemon.analysis.peak_building import Sign, frame_of, peak_of
from luggin.daemon.analysis.peak_models import HandEdit, PeakResult
from luggin.protocol.evaluation.peak_settings import Straight


def set_peak(
    result: PeakResult,
    potential: ArrayLike,
    current: ArrayLike,
    *,
    at: float,
    anchors: tuple[float, float],
    time: ArrayLike | None = None,
    usable: ArrayLike | None = None,
) -> PeakResult:
    """Add a peak by hand to the result of the same curve, on a straight line between the `anchors` (V).

    The top is sought within half the least half-width around `at`; where the curve has none, the peak is measured
    at `at` itself, as a shoulder. It replaces a peak that stands at the same place. AnalysisError if `at` doesn't lie
    between the anchors, or the anchors not within the curve, or the curve coincides with the line.
    """
    grid = prepare(potential, current, time, usable, result.settings.minimum_half_width)
    if isinstance(grid, Unfit):
        raise AnalysisError(f"No peak can be set here: {grid.reason}.")
    low, high = min(anchors), max(anchors)
    left, right = sorted((grid.index(low), grid.index(high)))
    ends = sorted((grid.direction * float(grid.x[0]), grid.direction * float(grid.x[-1])))
    if not ends[0] - grid.step <= low < at < high <= ends[1] + grid.step or right - left < 2:
        raise AnalysisError(
            f"at is {at:g} V with anchors at {low:g} and {high:g} V; it must lie between them, and they within the"
            f" curve, {ends[0]:g} to {ends[1]:g} V."
        )
    site = (grid.direction * at - float(grid.x[0])) / grid.step
    chord = np.interp(site, [left, right], grid.y[[left, right]])
    sign: Sign = 1 if float(np.interp(site, np.arange(grid.x.size), grid.y)) >= chord else -1
    half = result.settings.minimum_half_width / grid.step
    place = Site(site, half, half)
    frame = frame_of(grid, sign, half, result.settings.smoothing)
    (under,) = baselines(frame, [place], Straight(anchors=(low, high)), (left, right))
    reading = read(frame, place, under, left, right)
    if reading is None:
        raise AnalysisError(f"The curve does not leave the line between the anchors at {at:g} V; move the anchors.")
    if reading.front is not None and reading.back is not None:
        width = (reading.back - reading.front) / grid.step
        wide = Site((reading.x - grid.x[0]) / grid.step, width, width)
        frame = frame_of(grid, sign, width, result.settings.smoothing)
        reading = read(frame, wide, under, left, right, exact=reading.shoulder) or reading
    peak = peak_of(grid, frame, sign, reading, under, "straight", False).model_copy(update={"by_hand": True})
    others = [p for p in result.peaks if abs(p.potential - peak.potential) > result.settings.minimum_half_width / 2]
    return result.model_copy(
        update={
            "peaks": tuple(sorted((*others, peak), key=lambda p: p.potential)),
            "edits": (*result.edits, HandEdit(action="set", potential=at, anchors=(low, high))),
        }
    )


def remove_peak(result: PeakResult, at: float) -> PeakResult:
    """Remove by hand the peak nearest to a potential (V). AnalysisError if the result has none."""
    if not result.peaks:
        raise AnalysisError("There is no peak to remove.")
    gone = min(result.peaks, key=lambda p: abs(p.potential - at))
    return result.model_copy(
        update={
            "peaks": tuple(p for p in result.peaks if p is not gone),
            "edits": (*result.edits, HandEdit(action="removed", potential=gone.potential)),
        }
    )
