"""Draw curves with matplotlib, without its global state."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from luggin.daemon.figures.curve import Convention, Curve, scale, thinned, title

# Okabe & Ito, Color Universal Design (2008): told apart by people with any common colour vision.
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
_DASHES = ("-", "--", "-.", ":")
FORMATS = ("png", "svg", "pdf")


class CannotDraw(ValueError):
    """Curves that don't go into one picture; the text says why and what to do."""


def draw(curves: Sequence[Curve], convention: Convention = "iupac") -> Figure:
    """One picture of all curves, overlaid.  Raises CannotDraw when they are of different kinds or hold nothing."""
    head = curves[0]
    if any(each.view != head.view for each in curves):
        raise CannotDraw("these runs are looked at in different ways and can't be overlaid; plot them one by one")
    if not any(np.isfinite(each.y).any() for each in curves):
        raise CannotDraw("there is no point to draw; the runs hold none that is fit to be looked at")
    figure = Figure(figsize=(7.0, 4.6), dpi=150, layout="constrained")
    axes = figure.add_subplot()
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
        colour, dashes = _COLOURS[number % len(_COLOURS)], _DASHES[number // len(_COLOURS) % len(_DASHES)]
        marker = "o" if head.view.style == "nyquist" or np.isfinite(y).sum() < 3 else None
        axes.plot(x, y, linewidth=1.2, label=each.label, marker=marker, markersize=3, color=colour, linestyle=dashes)
    _finish(axes, head, (x_prefix, y_prefix), minus=minus, turned=turned, net=head.view.net and not beside)
    for number, (name, values) in enumerate(beside.items(), start=1):
        x, y = thinned(head.x * x_factor, values * y_factor * (-1 if minus else 1))
        colour, dashes = _COLOURS[number % len(_COLOURS)], _DASHES[number % len(_DASHES)]
        axes.plot(x, y, linewidth=0.8, label=name.removesuffix("_current"), color=colour, linestyle=dashes)
    if beside:
        axes.lines[0].set_label("net")
    if len(axes.lines) > 1:
        axes.legend(fontsize=8, frameon=False)
    if len(curves) == 1:
        axes.set_title(head.label, fontsize=9)
    return figure


def save(figure: Figure, path: Path) -> None:
    """Write a picture in the format that the file's name says.  Raises CannotDraw for an unknown one."""
    if path.suffix.removeprefix(".").lower() not in FORMATS:
        raise CannotDraw(f"{path} names no picture format; end it in " + ", ".join(f".{f}" for f in FORMATS))
    figure.savefig(path)


def _axis_scale(values: Sequence[NDArray[np.float64]], name: str) -> tuple[float, str]:
    return (1.0, "") if name in ("time", "applied_potential", "potential") else scale(np.concatenate(values))


def _finish(axes: Axes, head: Curve, prefixes: tuple[str, str], *, minus: bool, turned: bool, net: bool) -> None:
    axes.set_xlabel(title(head.view.x, prefixes[0], head.reference))
    logarithmic = head.view.style == "magnitude"
    axes.set_ylabel(title(head.view.y, prefixes[1], head.reference, minus=minus, magnitude=logarithmic, net=net))
    if logarithmic:
        axes.set_yscale("log")
    if head.view.style == "nyquist" and head.view.x == "impedance_real":
        axes.set_aspect("equal", adjustable="datalim")
    if turned and head.view.x == "applied_potential":
        axes.invert_xaxis()
    axes.grid(visible=True, linewidth=0.3)
