"""Draw curves with matplotlib, without its global state."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from luggin.daemon.figures.bode import bode
from luggin.daemon.figures.curve import Convention, Curve, scale, thinned, time_scale, title
from luggin.daemon.figures.marks import Mark, draw_marks

# Okabe & Ito, Color Universal Design (2008): told apart by people with any common colour vision.
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
_DASHES = ("-", "--", "-.", ":")
FORMATS = ("png", "svg", "pdf")


class CannotDraw(ValueError):
    """Curves that don't go into one picture; the text says why and what to do."""


def draw(curves: Sequence[Curve], convention: Convention = "iupac", marks: Sequence[tuple[Mark, ...]] = ()) -> Figure:
    """One picture of all curves, overlaid, with the marks of each.

    Raises CannotDraw when they are of different kinds or hold nothing.
    """
    head = curves[0]
    if any(each.view != head.view for each in curves):
        raise CannotDraw("these runs are looked at in different ways and can't be overlaid; plot them one by one")
    if not any(map(_finite, curves)):
        raise CannotDraw("there is no point to draw; the runs hold none that is fit to be looked at")
    spectra = {n: each for n, each in enumerate(curves) if head.view.x == "impedance_real" and _finite(each) > 1}
    figure = Figure(figsize=(10.0 if spectra else 7.0, 4.6), dpi=150, layout="constrained")
    grid = figure.add_gridspec(2, 2) if spectra else None
    axes = figure.add_subplot() if grid is None else figure.add_subplot(grid[:, 0])
    turned = convention == "polarographic"
    x_factor, x_prefix = _axis_scale([each.x for each in curves], head.view.x)
    beside = head.beside if len(curves) == 1 else {}
    y_factor, y_prefix = _axis_scale([*(each.y for each in curves), *beside.values()], head.view.y)
    minus = head.view.style == "nyquist" or (turned and head.view.y == "current")
    if head.view.style == "magnitude":
        minus = False
    for number, each in enumerate(curves):
        x, y = thinned(each.x * x_factor, each.y * y_factor * (-1 if minus else 1))
        if head.view.style == "magnitude":
            y = np.abs(y)
        marker = "o" if each.frequency is not None or _finite(each) < 3 else None
        axes.plot(x, y, linewidth=1.2, label=each.label, marker=marker, markersize=3, **_look(number))
    for each_marks in marks:
        draw_marks(axes, each_marks, y_factor * (-1 if minus else 1))
    _finish(axes, head, (x_prefix, y_prefix), minus=minus, turned=turned, net=head.view.net and not beside)
    for number, (name, values) in enumerate(beside.items(), start=1):
        x, y = thinned(head.x * x_factor, values * y_factor * (-1 if minus else 1))
        colour, dashes = _COLOURS[number % len(_COLOURS)], _DASHES[number % len(_DASHES)]
        axes.plot(x, y, linewidth=0.8, label=name.removesuffix("_current"), color=colour, linestyle=dashes)
    if beside:
        axes.lines[0].set_label("net")
    if len(curves) + len(beside) > 1:
        axes.legend(fontsize=8, frameon=False)
    if grid is not None:
        bode(
            figure.add_subplot(grid[0, 1]),
            figure.add_subplot(grid[1, 1]),
            list(spectra.values()),
            [_look(number) for number in spectra],
        )
    if len(curves) == 1:
        axes.set_title(head.label, fontsize=9)
    return figure


def save(figure: Figure, path: Path) -> None:
    """Write a picture in the format that the file's name says.  Raises CannotDraw for an unknown one."""
    if path.suffix.removeprefix(".").lower() not in FORMATS:
        raise CannotDraw(f"{path} names no picture format; end it in " + ", ".join(f".{f}" for f in FORMATS))
    figure.savefig(path)


def _finite(curve: Curve) -> int:
    """Points that can be drawn."""
    return int(np.isfinite(curve.y).sum())


def _look(number: int) -> dict[str, Any]:
    """Colour and dashes of a curve."""
    return {
        "color": _COLOURS[number % len(_COLOURS)],
        "linestyle": _DASHES[number // len(_COLOURS) % len(_DASHES)],
    }


def _axis_scale(values: Sequence[NDArray[np.float64]], name: str) -> tuple[float, str]:
    if name == "time":
        return time_scale(np.concatenate(values))
    return (1.0, "") if name in ("applied_potential", "potential") else scale(np.concatenate(values))


def _finish(axes: Axes, head: Curve, prefixes: tuple[str, str], *, minus: bool, turned: bool, net: bool) -> None:
    axes.set_xlabel(title(head.view.x, prefixes[0], head.reference))
    logarithmic = head.view.style == "magnitude"
    axes.set_ylabel(title(head.view.y, prefixes[1], head.reference, minus=minus, magnitude=logarithmic, net=net))
    axes.ticklabel_format(useOffset=False)
    if logarithmic:
        axes.set_yscale("log")
    if head.view.style == "nyquist" and head.view.x == "impedance_real":
        axes.set_aspect("equal", adjustable="datalim")
    if turned and head.view.x == "applied_potential":
        axes.invert_xaxis()
    axes.grid(visible=True, linewidth=0.3)
