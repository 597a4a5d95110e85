"""What a run asked of an electrode: charge passed each way, potentials reached, scans made."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from luggin.daemon.analysis.estimate import Result
from luggin.protocol.points import Array, Flag

_NO_CURRENT = Flag.CELL_OPEN | Flag.CURRENT_OVERLOAD


class Usage(Result):
    """`anodic` and `cathodic` charge (C, both as magnitudes), `lowest` and `highest` potential (V) with the cell
    closed, `scans` and `closed`, the time (s) with the cell closed."""

    anodic: float = 0.0
    cathodic: float = 0.0
    lowest: float | None = None
    highest: float | None = None
    scans: int = 0
    closed: float = 0.0

    def __add__(self, other: "Usage") -> "Usage":
        lows = [each for each in (self.lowest, other.lowest) if each is not None]
        highs = [each for each in (self.highest, other.highest) if each is not None]
        return Usage(
            anodic=self.anodic + other.anodic,
            cathodic=self.cathodic + other.cathodic,
            lowest=min(lows, default=None),
            highest=max(highs, default=None),
            scans=self.scans + other.scans,
            closed=self.closed + other.closed,
        )


def usage(technique: str, columns: Mapping[str, Array]) -> Usage:
    """Of one run's columns, arrays of shape (n,).

    The charge is the current of each point times the time since the point before, of pulses the mean of what was
    sampled: what else flowed between two points, and the alternating current of an impedance, is not seen.
    """
    if "time" not in columns or not len(columns["time"]):
        return Usage()
    time = columns["time"].astype(float)
    flags = columns["flags"].astype(int) if "flags" in columns else np.zeros(len(time), dtype=int)
    steps = np.clip(np.diff(time, prepend=0.0), 0.0, None)
    closed = (flags & int(Flag.CELL_OPEN)) == 0
    potential = columns["potential"][closed].astype(float) if "potential" in columns else np.empty(0)
    potential = potential[np.isfinite(potential)]
    charge = _charge(columns, flags, steps)
    return Usage(
        anodic=float(charge[charge > 0].sum()),
        cathodic=float(-charge[charge < 0].sum()),
        lowest=float(potential.min()) if len(potential) else None,
        highest=float(potential.max()) if len(potential) else None,
        scans=_scans(technique, columns),
        closed=float(steps[closed].sum()),
    )


def _charge(columns: Mapping[str, Array], flags: NDArray[np.int_], steps: NDArray[np.float64]) -> NDArray[np.float64]:
    if "current" not in columns:
        return np.zeros(len(steps))
    current = columns["current"].astype(float)
    for name in ("forward_current", "reverse_current"):
        sampled = columns[name].astype(float) if name in columns else np.full(len(current), np.nan)
        current = np.where(np.isfinite(sampled), sampled if name[0] == "f" else (current + sampled) / 2, current)
    seen = np.isfinite(current) & ((flags & int(_NO_CURRENT)) == 0)
    return np.where(seen, current * steps, 0.0)


def _scans(technique: str, columns: Mapping[str, Array]) -> int:
    """Cycles of a cyclic technique, one for another that scans or pulses, none for a wait."""
    if technique == "open-circuit-potential":
        return 0
    return int(columns["cycle"].max()) if "cycle" in columns and technique == "cyclic-voltammetry" else 1
