"""Peaks in a picture: the baseline under each, its height from there, its potential."""

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from luggin.protocol.evaluation.peak_results import Peak, PeaksBody

MOST = 12
"""Peaks that are drawn of one run; more would hide the curve."""
_COLOUR = "#444444"
_WORD_WIDTH = 0.03  # V


@dataclass(frozen=True)
class Mark:
    """A peak at `potential` (V) from `base` to `top` (A), and the corners of its baseline (V, A)."""

    potential: float
    base: float
    top: float
    line: tuple[tuple[float, ...], tuple[float, ...]]


def marks_of(body: PeaksBody) -> tuple[Mark, ...]:
    """The peaks of the last sweeps, at most MOST."""
    return tuple(_mark(peak) for _, peak in body.peaks[-MOST:])


def _mark(peak: Peak) -> Mark:
    line = peak.baseline
    order = np.argsort(line.potential)
    base = float(np.interp(peak.potential, np.array(line.potential)[order], np.array(line.current)[order]))
    return Mark(peak.potential, base, base + peak.height, (line.potential, line.current))


def draw_marks(axes: Axes, marks: tuple[Mark, ...], factor: float) -> None:
    """`factor` turns A into the axis' unit and sign."""
    for mark in marks:
        potentials, currents = mark.line
        axes.plot(potentials, np.array(currents) * factor, color=_COLOUR, linewidth=0.8, linestyle="--")
        base, top = mark.base * factor, mark.top * factor
        axes.plot([mark.potential] * 2, [base, top], color=_COLOUR, linewidth=0.8)
        if any(_hides(other, mark) for other in marks):
            continue
        up = top >= base
        axes.annotate(
            f"{mark.potential:.3f} V",
            (mark.potential, top),
            xytext=(0, 4 if up else -4),
            textcoords="offset points",
            ha="center",
            va="bottom" if up else "top",
            fontsize=7,
            color=_COLOUR,
        )
    if marks:
        axes.margins(y=0.1)  # room for the words


def _hides(other: Mark, mark: Mark) -> bool:
    """Whether the words of a peak that reaches farther, in another cycle, would lie on those of this one."""
    height, mine = other.top - other.base, mark.top - mark.base
    near = abs(other.potential - mark.potential) < _WORD_WIDTH
    return near and height * mine > 0 and abs(height) > abs(mine)
