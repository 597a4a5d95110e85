"""A quantity over runs as a picture, with the straight line through it."""

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from luggin.daemon.figures.curve import CannotDraw, scale
from luggin.daemon.figures.draw import LONGEST_LABEL
from luggin.daemon.legible import legible

_POINTS, _LINE = "#0072B2", "#000000"
_AS_THEY_ARE = ("", "1", "V")


def trend_figure(
    quantity: str,
    unit: str,
    positions: Sequence[float],
    values: Sequence[float | None],
    line: tuple[float, float] | None,
    x_title: str,
) -> Figure:
    """`values` in SI, None where a run has none; `line` is (slope, intercept) over the positions.

    Raises CannotDraw without a value.
    """
    y = np.array([np.nan if each is None else each for each in values], dtype=float)
    if not np.isfinite(y).any():
        raise CannotDraw(f"no run has a value of {quantity}; there is nothing to draw")
    factor, prefix = (1.0, "") if unit in _AS_THEY_ARE else scale(y)
    x = np.asarray(positions, dtype=float)
    figure = Figure(figsize=(7.0, 4.2), dpi=150, layout="constrained")
    axes = figure.add_subplot()
    axes.plot(x, y * factor, "o", color=_POINTS, markersize=5)
    if line is not None:
        ends = np.array([x.min(), x.max()])
        axes.plot(ends, (line[0] * ends + line[1]) * factor, color=_LINE, linewidth=1.0, linestyle="--")
    shown = f"{prefix}{unit}".replace("ohm", "Ω") or "1"
    title = f"{legible(quantity, LONGEST_LABEL)} / {f'({shown})' if ' ' in shown else shown}"
    axes.set_ylabel(title, parse_math=False)
    axes.set_xlabel(x_title)
    if (x == np.round(x)).all():
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.ticklabel_format(useOffset=False)
    axes.grid(visible=True, linewidth=0.3)
    return figure
