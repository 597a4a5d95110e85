"""A run cut into sweeps: stretches in which the applied potential goes one way."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.grid import SMALLEST_RANGE

TURN: Final = 0.02  # share of the potential range that the scan must run back to have turned
JUMP_STEPS: Final = 20.0  # a step so many times the usual one, and so large a share of the range, is a jump
JUMP_RANGE: Final = 0.1

Indices = NDArray[np.intp]


@dataclass(frozen=True)
class Sweep:
    """Points `start` to `stop` (exclusive) of a run; direction +1 where the potential rises, else -1."""

    start: int
    stop: int
    direction: Literal[-1, 1]
    cycle: int | None
    phase: int | None

    @property
    def part(self) -> slice:
        return slice(self.start, self.stop)


def split_sweeps(
    potential: ArrayLike, *, cycle: ArrayLike | None = None, phase: ArrayLike | None = None
) -> tuple[Sweep, ...]:
    """Cut a run into sweeps by the direction of its applied potential (V); columns of shape (n,).

    A new phase or a jump of the potential starts a new sweep. A new cycle alone does not: a scan that starts
    between its vertices changes its cycle number in the middle of a sweep, where a cut could halve a peak. Such
    a sweep belongs to the cycle that most of its points have. Standstill ahead of a sweep belongs to none; a
    constant potential gives no sweep. AnalysisError for columns of unequal length.
    """
    e = np.asarray(potential, dtype=np.float64).ravel()
    labels = {}
    for name, column in (("cycle", cycle), ("phase", phase)):
        if column is None:
            continue
        labels[name] = np.asarray(column).ravel()
        if labels[name].size != e.size:
            raise AnalysisError(
                f"{name} has {labels[name].size} values and potential has {e.size}; give one of each for every point."
            )
    finite = np.isfinite(e)
    if np.count_nonzero(finite) < 2 or np.ptp(e[finite]) < SMALLEST_RANGE:
        return ()
    span = float(np.ptp(e[finite]))
    if not finite.all():
        index = np.arange(e.size)
        e = np.interp(index, index[finite], e[finite])
    sweeps = []
    for first, last in _stretches(e, span, labels.get("phase")):
        turns = _turns(e[first:last], TURN * span)
        for start, stop in pairwise(turns):
            # A vertex belongs to the sweep that reaches it.
            begin, end = first + start + (start != turns[0]), first + stop + 1
            sweeps.append(
                Sweep(
                    begin,
                    end,
                    1 if e[end - 1] > e[first + start] else -1,
                    _usual(labels.get("cycle"), begin, end),
                    _usual(labels.get("phase"), begin, end),
                )
            )
    return tuple(sweeps)


def _stretches(e: Floats, span: float, phase: NDArray[np.generic] | None) -> list[tuple[int, int]]:
    """Where neither the phase changes nor the potential jumps."""
    step = np.abs(np.diff(e))
    moving = step > 1e-3 * SMALLEST_RANGE
    usual = float(np.median(step[moving]))
    cut = (step > JUMP_STEPS * usual) & (step > JUMP_RANGE * span)
    if phase is not None:
        cut |= phase[1:] != phase[:-1]
    edges = [0, *(np.flatnonzero(cut) + 1).tolist(), e.size]
    return [(a, b) for a, b in pairwise(edges) if b - a > 1]


def _turns(e: Floats, least: float) -> list[int]:
    """Indices of start, turning points and end; wiggles smaller than `least` are no turn."""
    step = np.diff(e)
    moves = np.flatnonzero(np.abs(step) > 1e-3 * SMALLEST_RANGE)
    if not moves.size:
        return []
    rising = step[moves] > 0
    corners = moves[np.flatnonzero(rising[1:] != rising[:-1])] + 1
    # The last of several points at a vertex, so that a standstill ends the sweep before it.
    corners = np.array([moves[np.searchsorted(moves, c)] for c in corners], dtype=np.intp)
    turns = [int(moves[0])]
    extreme = turns[0]
    for k in [*corners.tolist(), int(moves[-1]) + 1]:
        if len(turns) == 1 and abs(e[extreme] - e[turns[0]]) < least:
            # Not under way yet: whichever way it goes first.
            extreme = k if abs(e[k] - e[turns[0]]) >= abs(e[extreme] - e[turns[0]]) else extreme
            continue
        up = e[extreme] > e[turns[-1]]
        if (e[k] >= e[extreme]) == up:
            extreme = k
        elif abs(e[k] - e[extreme]) >= least:
            turns.append(extreme)
            extreme = k
    if abs(e[extreme] - e[turns[-1]]) < least:
        return []
    return [*turns, extreme]


def _usual(labels: NDArray[np.generic] | None, start: int, stop: int) -> int | None:
    if labels is None:
        return None
    values, counts = np.unique(labels[start:stop], return_counts=True)
    return int(values[int(np.argmax(counts))])
