"""Cyclic curves: peaks of every sweep, and the anodic and cathodic ones that belong together."""

from collections import defaultdict
from collections.abc import Sequence
from typing import Annotated, Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field
from scipy.optimize import linear_sum_assignment

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.estimate import Result
from luggin.daemon.analysis.peak_models import SWEEP_SETTINGS, PeakResult
from luggin.daemon.analysis.peaks import detect
from luggin.daemon.analysis.sweeps import split_sweeps
from luggin.protocol.evaluation.peak_results import Peak
from luggin.protocol.evaluation.peak_settings import PeakSettings, Polarity

CROSSED: Final = 0.03  # V; noise and surface processes may put the anodic peak so far below the cathodic one


class PairSettings(Result):
    """How far apart (V) the two peaks of a couple may be."""

    widest_separation: Annotated[float, Field(gt=0)] = 0.4


class SweepPeaks(Result):
    """Peaks of the points `start` to `stop` (exclusive) of a run; direction +1 where the potential rises, else -1."""

    start: int
    stop: int
    cycle: int | None
    direction: Literal[-1, 1]
    result: PeakResult


class RedoxPair(Result):
    """An anodic and a cathodic peak of one couple in one cycle.

    half_wave_potential: mean of the two peak potentials, E_1/2 of a reversible couple (V); separation:
    E_pa - E_pc (V); height_ratio: height on the return scan over that on the forward scan, both above their own
    baseline; u_...: standard uncertainties. height_ratio_from_zero: the same from currents counted from zero, with
    the correction 0.485 i_s/i_f + 0.086 for the decaying forward current i_s at the switching potential; it asks for
    a curve whose background is subtracted. Source: R. S. Nicholson, Anal. Chem. 38 (1966) 1406 (coefficients from
    memory).
    """

    cycle: int | None
    forward: Polarity
    anodic: Peak
    cathodic: Peak
    half_wave_potential: float
    u_half_wave_potential: float
    separation: float
    u_separation: float
    height_ratio: float
    u_height_ratio: float
    height_ratio_from_zero: float | None


class CyclicResult(Result):
    """All sweeps of a run in order, and the pairs cycle by cycle."""

    settings: PairSettings
    sweeps: tuple[SweepPeaks, ...]
    pairs: tuple[RedoxPair, ...]
    notes: tuple[str, ...] = ()


def analyse_cyclic(
    potential: ArrayLike,
    current: ArrayLike,
    *,
    time: ArrayLike | None = None,
    cycle: ArrayLike | None = None,
    phase: ArrayLike | None = None,
    usable: ArrayLike | None = None,
    settings: PeakSettings = SWEEP_SETTINGS,
    pairing: PairSettings | None = None,
) -> CyclicResult:
    """Find the peaks of every sweep of a run and pair them within each cycle.

    Columns of shape (n,): applied potential (V), current (A), time (s), cycle and phase numbers, usable flags. Without
    cycle numbers two sweeps in a row make a cycle. AnalysisError for columns of unequal length.
    """
    pairing = pairing or PairSettings()
    found = sweep_peaks(potential, current, time=time, cycle=cycle, phase=phase, usable=usable, settings=settings)
    notes = () if found else ("no sweep found: the potential is constant",)
    return CyclicResult(
        settings=pairing, sweeps=found, pairs=tuple(couples(found, current, usable, pairing)), notes=notes
    )


def sweep_peaks(
    potential: ArrayLike,
    current: ArrayLike,
    *,
    time: ArrayLike | None = None,
    cycle: ArrayLike | None = None,
    phase: ArrayLike | None = None,
    usable: ArrayLike | None = None,
    settings: PeakSettings = SWEEP_SETTINGS,
) -> tuple[SweepPeaks, ...]:
    """The peaks of every sweep of a run in order; columns as for `analyse_cyclic`."""
    e, i = (np.asarray(a, dtype=np.float64).ravel() for a in (potential, current))
    t, wanted = (None if a is None else np.asarray(a).ravel() for a in (time, usable))
    return tuple(
        SweepPeaks(
            start=s.start,
            stop=s.stop,
            cycle=s.cycle,
            direction=s.direction,
            result=detect(
                e[s.part],
                i[s.part],
                time=None if t is None else t[s.part],
                usable=None if wanted is None else wanted[s.part],
                settings=settings,
            ),
        )
        for s in split_sweeps(e, cycle=cycle, phase=phase)
    )


def couples(
    found: Sequence[SweepPeaks], current: ArrayLike, usable: ArrayLike | None, settings: PairSettings
) -> list[RedoxPair]:
    """The pairs of peaks within each cycle; `current` (A) and `usable` of shape (n,) as they were searched."""
    i = np.asarray(current, dtype=np.float64).ravel()
    wanted = None if usable is None else np.asarray(usable).ravel()
    cycles: dict[int, list[SweepPeaks]] = defaultdict(list)
    for k, sweep in enumerate(found):
        cycles[k // 2 + 1 if sweep.cycle is None else sweep.cycle].append(sweep)
    return [
        pair for number, members in cycles.items() for pair in _pairs_of_cycle(number, members, i, wanted, settings)
    ]


def pair_peaks(anodic: Sequence[Peak], cathodic: Sequence[Peak], settings: PairSettings) -> list[tuple[Peak, Peak]]:
    """Anodic and cathodic peaks that belong together: each at most once, as many as fit, then the closest."""
    if not anodic or not cathodic:
        return []
    separation = np.array([[a.potential - c.potential for c in cathodic] for a in anodic])
    fits = (separation >= -CROSSED) & (separation <= settings.widest_separation)
    rows, columns = linear_sum_assignment(np.where(fits, np.abs(separation), 1e6))
    chosen = [(anodic[r], cathodic[c]) for r, c in zip(rows.tolist(), columns.tolist(), strict=True) if fits[r, c]]
    return sorted(chosen, key=lambda p: p[0].potential)


def _pairs_of_cycle(
    number: int,
    members: list[SweepPeaks],
    current: Floats,
    usable: np.ndarray[tuple[int, ...], np.dtype[np.generic]] | None,
    settings: PairSettings,
) -> list[RedoxPair]:
    forward: Polarity = "anodic" if members[0].direction > 0 else "cathodic"
    up = [p for s in members if s.direction > 0 for p in s.result.peaks if p.polarity == "anodic"]
    down = [p for s in members if s.direction < 0 for p in s.result.peaks if p.polarity == "cathodic"]
    first = slice(members[0].start, members[0].stop)
    last = current[first] if usable is None else current[first][usable[first].astype(bool)]
    last = last[np.isfinite(last)][-3:]
    switching = float(np.mean(last)) if last.size else None
    return [_pair(number, forward, a, c, switching) for a, c in pair_peaks(up, down, settings)]


def _pair(number: int, forward: Polarity, a: Peak, c: Peak, switching: float | None) -> RedoxPair:
    ahead, back = (a, c) if forward == "anodic" else (c, a)
    ratio = abs(back.height / ahead.height)
    u_sum = float(np.hypot(a.u_potential, c.u_potential))
    return RedoxPair(
        cycle=number,
        forward=forward,
        anodic=a,
        cathodic=c,
        half_wave_potential=(a.potential + c.potential) / 2,
        u_half_wave_potential=u_sum / 2,
        separation=a.potential - c.potential,
        u_separation=u_sum,
        height_ratio=ratio,
        u_height_ratio=ratio * float(np.hypot(a.u_height / a.height, c.u_height / c.height)),
        height_ratio_from_zero=None if switching is None else _from_zero(ahead, back, switching),
    )


def _from_zero(ahead: Peak, back: Peak, switching: float) -> float:
    full = [p.height + _baseline_at(p) for p in (ahead, back)]
    # Counted in the direction of the forward current; the return peak lies the other way.
    sign = 1.0 if ahead.height > 0 else -1.0
    forward = sign * full[0]
    return (-sign * full[1] + 0.485 * sign * switching) / forward + 0.086


def _baseline_at(peak: Peak) -> float:
    e, i = np.array(peak.baseline.potential), np.array(peak.baseline.current)
    order = np.argsort(e)
    return float(np.interp(peak.potential, e[order], i[order]))
