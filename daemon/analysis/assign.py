"""Which peak belongs to which analyte, and where that is not clear."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from scipy.optimize import linear_sum_assignment

from luggin.daemon.analysis.estimate import Result
from luggin.protocol.evaluation.peak_results import Peak
from luggin.protocol.evaluation.peak_settings import Analyte, AnalyteList


class Assigned(Result):
    """The peak of one analyte.

    status: "found", "missing" (no peak in the window), "ambiguous" (another choice was possible; `note` says
    which), "no-marker" (the marker was not found, so there was no window). window: absolute, V.
    """

    analyte: str
    status: Literal["found", "missing", "ambiguous", "no-marker"]
    peak: Peak | None
    window: tuple[float, float] | None
    note: str | None = None


class Assignment(Result):
    """One entry for each analyte in the order of the list, and the peaks that belong to none."""

    analytes: tuple[Assigned, ...]
    unassigned: tuple[Peak, ...]

    def of(self, analyte: str) -> Assigned | None:
        """The entry of an analyte by name."""
        return next((a for a in self.analytes if a.analyte == analyte), None)


def assign(peaks: Sequence[Peak], analytes: AnalyteList) -> Assignment:
    """Give each analyte at most one peak and each peak at most one analyte.

    As many analytes as possible get a peak; among the ways to do so the one with the peaks nearest to the middle
    of their windows is taken. Every analyte for which there was a choice is said to be ambiguous.
    """
    absolute = [a for a in analytes.analytes if a.relative_to is None]
    relative = [a for a in analytes.analytes if a.relative_to is not None]
    # Markers take their peaks first: a relative window does not exist before.
    entries = _match(peaks, [(a, a.window) for a in absolute])
    taken = [e.peak for e in entries.values() if e.peak is not None]
    windows = []
    for a in relative:
        marker = entries[a.relative_to or ""]
        if marker.peak is None:
            note = f"marker {marker.analyte} was not found"
            entries[a.name] = Assigned(analyte=a.name, status="no-marker", peak=None, window=None, note=note)
        else:
            at = marker.peak.potential
            windows.append((a, (at + a.window[0], at + a.window[1])))
    left = [p for p in peaks if not any(p is t for t in taken)]
    entries |= _match(left, windows)
    for a, _ in windows:
        marker = entries[a.relative_to or ""]
        if marker.status == "ambiguous" and entries[a.name].status == "found":
            entries[a.name] = entries[a.name].model_copy(
                update={"status": "ambiguous", "note": f"marker {marker.analyte} is ambiguous"}
            )
    taken = [e.peak for e in entries.values() if e.peak is not None]
    return Assignment(
        analytes=tuple(entries[a.name] for a in analytes.analytes),
        unassigned=tuple(p for p in peaks if not any(p is t for t in taken)),
    )


def _match(peaks: Sequence[Peak], windows: Sequence[tuple[Analyte, tuple[float, float]]]) -> dict[str, Assigned]:
    fits = np.array([[_fits(p, a, window) for p in peaks] for a, window in windows], dtype=bool).reshape(
        len(windows), len(peaks)
    )
    chosen: dict[int, int] = {}
    if fits.any():
        cost = np.array([[_off_centre(p, window) for p in peaks] for _, window in windows])
        rows, columns = linear_sum_assignment(np.where(fits, cost, 1e6))
        chosen = {int(r): int(c) for r, c in zip(rows, columns, strict=True) if fits[r, c]}
    return {a.name: _entry(k, chosen.get(k), fits, peaks, windows) for k, (a, _) in enumerate(windows)}


def _entry(
    k: int,
    column: int | None,
    fits: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    peaks: Sequence[Peak],
    windows: Sequence[tuple[Analyte, tuple[float, float]]],
) -> Assigned:
    analyte, window = windows[k]
    here = np.flatnonzero(fits[k]).tolist()
    rivals = sorted({windows[r][0].name for c in here for r in np.flatnonzero(fits[:, c]).tolist() if r != k})
    if column is None:
        note = f"its window holds a peak that went to {' or '.join(rivals)}" if here else None
        status: Literal["ambiguous", "missing"] = "ambiguous" if here else "missing"
        return Assigned(analyte=analyte.name, status=status, peak=None, window=window, note=note)
    reasons = []
    if len(here) > 1:
        places = ", ".join(f"{peaks[c].potential:.4g} V" for c in here)
        reasons.append(f"{len(here)} peaks in the window ({places}); the one nearest to its middle is taken")
    if rivals:
        reasons.append(f"also fits the window of {' and '.join(rivals)}")
    return Assigned(
        analyte=analyte.name,
        status="ambiguous" if reasons else "found",
        peak=peaks[column],
        window=window,
        note="; ".join(reasons) or None,
    )


def _fits(peak: Peak, analyte: Analyte, window: tuple[float, float]) -> bool:
    return window[0] <= peak.potential <= window[1] and analyte.polarity in (None, peak.polarity)


def _off_centre(peak: Peak, window: tuple[float, float]) -> float:
    """0 in the middle of the window, 1 at its edges."""
    return abs(2 * peak.potential - window[0] - window[1]) / (window[1] - window[0])
