"""From places and baselines to peaks: the steps between detection and the result."""

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.baseline import Frame, Site, Under, baselines
from luggin.daemon.analysis.detection import SIGMAS_PER_HALF_WIDTH, Candidate
from luggin.daemon.analysis.grid import Grid
from luggin.daemon.analysis.measure import Reading, read, with_overlap
from luggin.daemon.analysis.resolve import resolve
from luggin.daemon.analysis.smoothing import gentle, savitzky_golay
from luggin.protocol.evaluation.peak_results import Peak, PeakBaseline
from luggin.protocol.evaluation.peak_settings import (
    AsymmetricLeastSquares,
    BaselineSettings,
    PeakSettings,
    Polynomial,
    Smoothing,
)

Sign = Literal[-1, 1]
Found = tuple[Under, Reading, bool]  # baseline, reading, overlapped

VALLEY: Final = 0.05  # a valley this far up between two peaks makes them overlapped
FLAT_TOP: Final = "the top is flat: was the current limited, or the range coarse?"
LARGEST_GROUP: Final = 6  # more overlapping peaks are not resolved at once: the fit would not be determined


def frame_of(grid: Grid, sign: int, half_width: float, smoothing: Smoothing | None) -> Frame:
    y = sign * grid.y
    if smoothing is not None:
        y = savitzky_golay(y, grid.step, smoothing)
    return Frame(grid.x, y, gentle(y, 0.35 * half_width), grid.measured, grid.step, grid.noise)


def measured_peaks(
    grid: Grid, sign: Sign, found: Sequence[Candidate], settings: PeakSettings, notes: list[str]
) -> list[Peak]:
    if not found:
        return []
    sites = [Site(c.at, c.left * SIGMAS_PER_HALF_WIDTH, c.right * SIGMAS_PER_HALF_WIDTH) for c in found]
    frame = frame_of(grid, sign, min((s.left + s.right) / 2 for s in sites), settings.smoothing)
    chosen = settings.baseline
    unders = baselines(frame, sites, chosen, _anchors(grid, chosen, notes))
    readings: list[Found] = []
    for k, (site, under) in enumerate(zip(sites, unders, strict=True)):
        low = 0 if k == 0 else _valley(frame, under, sites[k - 1], site)
        high = grid.x.size - 1 if k + 1 == len(sites) else _valley(frame, under, site, sites[k + 1])
        reading = read(frame, site, under, low, high)
        if reading is None:
            continue
        overlapped = any(
            inside
            and under.first < v < under.last
            and float(frame.smooth[v] - under.current[v]) > VALLEY * reading.height + grid.noise
            for inside, v in ((k > 0, low), (k + 1 < len(sites), high))
        )
        readings.append((under, reading, overlapped))
    if settings.overlap == "resolved":
        readings = _resolved(frame, readings, grid, notes)
    else:
        readings = [_allowed_for(readings, k) for k in range(len(readings))]
    return [peak_of(grid, frame, sign, r, under, chosen.kind, overlapped) for under, r, overlapped in readings]


def _anchors(grid: Grid, chosen: BaselineSettings, notes: list[str]) -> tuple[int, int] | None:
    if isinstance(chosen, Polynomial | AsymmetricLeastSquares) or chosen.anchors is None:
        return None
    low, high = sorted(grid.index(e) for e in chosen.anchors)
    outside = any(abs(grid.direction * e - float(grid.x[grid.index(e)])) > grid.step for e in chosen.anchors)
    if outside or high - low < 2:
        a, b = chosen.anchors
        notes.append(
            f"the curve has no stretch between the anchors {a:g} and {b:g} V; the baseline is laid without them"
        )
        return None
    return low, high


def _allowed_for(readings: list[Found], k: int) -> Found:
    under, reading, overlapped = readings[k]
    if not overlapped:
        return readings[k]
    neighbours = [r for _, r, _ in readings[max(k - 1, 0) : k + 2] if r is not reading]
    return under, with_overlap(reading, neighbours), True


def _resolved(frame: Frame, readings: list[Found], grid: Grid, notes: list[str]) -> list[Found]:
    """Every run of overlapping peaks replaced by its components, where the fit succeeds."""
    done: list[Found] = []
    k = 0
    while k < len(readings):
        stop = k + 1
        while readings[k][2] and stop < len(readings) and readings[stop][2] and stop - k < LARGEST_GROUP:
            stop += 1
        parts = None if stop - k < 2 else resolve(frame, [(u, r) for u, r, _ in readings[k:stop]])
        if parts is not None:
            done += [(u, r, True) for u, r in parts]
        else:
            done += [_allowed_for(readings, j) for j in range(k, stop)]
            if stop - k > 1:
                at = grid.direction * readings[k][1].x
                notes.append(f"the overlapping peaks from {at:.4g} V on could not be resolved; given as measured")
        k = stop
    return done


def _valley(frame: Frame, under: Under, left: Site, right: Site) -> int:
    start, stop = round(left.at), max(round(right.at), round(left.at) + 1)
    return start + int(np.argmin((frame.smooth - under.current)[start : stop + 1]))


def peak_of(grid: Grid, frame: Frame, sign: Sign, r: Reading, under: Under, kind: str, overlapped: bool) -> Peak:
    to = grid.direction
    nodes = list(under.nodes)
    line: Floats = sign * under.current[nodes]
    width = None if r.front is None or r.back is None else r.back - r.front
    return Peak(
        polarity="anodic" if sign > 0 else "cathodic",
        potential=to * r.x,
        height=sign * r.height,
        area=sign * r.area,
        charge=sign * r.area / grid.scan_rate if grid.scan_rate else None,
        half_width=width,
        half_peak_potential=None if r.front is None else to * r.front,
        asymmetry=None if r.front is None or r.back is None or r.x <= r.front else (r.back - r.x) / (r.x - r.front),
        u_potential=r.u_x,
        u_height=r.u_height,
        shape="shoulder" if r.shoulder else "peak",
        overlapped=overlapped,
        notes=tuple(n for n in (under.note, FLAT_TOP if r.plateau else None) if n),
        baseline=PeakBaseline(kind=kind, potential=tuple((to * frame.x[nodes]).tolist()), current=tuple(line.tolist())),
    )
