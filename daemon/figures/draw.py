"""Draw curves with matplotlib, without its global state."""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from luggin.daemon.figures.bode import bode
from luggin.daemon.figures.curve import CannotDraw, Convention, Curve, scale, time_scale, title
from luggin.daemon.figures.decimate import decimated
from luggin.daemon.figures.marks import Mark, draw_marks
from luggin.daemon.legible import legible

# Okabe & Ito, Color Universal Design (2008): told apart by people with any common colour vision.
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
_DASHES = ("-", "--", "-.", ":")
FORMATS = ("png", "svg", "pdf")
LONGEST_LABEL = 80
_MOST_INSIDE = 7


def draw(curves: Sequence[Curve], convention: Convention = "iupac", marks: Sequence[tuple[Mark, ...]] = ()) -> Figure:
    """One picture of all curves, overlaid, with the marks of each.

    Raises CannotDraw when they are of different kinds or hold nothing.
    """
    head = curves[0]
    if any(each.view != head.view for each in curves):
        raise CannotDraw("these runs are looked at in different ways and can't be overlaid; plot them one by one")
    references = dict.fromkeys(legible(each.reference, LONGEST_LABEL) for each in curves)
    if len(references) > 1 and "potential" in head.view.x + head.view.y:
        raise CannotDraw(f"these runs have potentials against {' and '.join(references)}; plot them one by one")
    if not any(map(_finite, curves)):
        raise CannotDraw("there is no point to draw; the runs hold none that is fit to be looked at")
    spectra = {n: each for n, each in enumerate(curves) if head.view.x == "impedance_real" and _finite(each) > 1}
    figure = Figure(figsize=(10.0 if spectra else 7.0, 4.6), dpi=150, layout="constrained")
    grid = figure.add_gridspec(2, 2) if spectra else None
    axes = figure.add_subplot() if grid is None else figure.add_subplot(grid[:, 0])
    beside = head.beside if len(curves) == 1 else {}
    scales = _scales(curves, beside)
    minus = head.view.style == "nyquist" or (convention == "polarographic" and head.view.y == "current")
    if head.view.style == "magnitude":
        minus = False
    signed = scales.y * (-1 if minus else 1)
    lines = [_line(axes, each, number, scales.x, signed) for number, each in enumerate(curves)]
    for each_marks in marks:
        draw_marks(axes, each_marks, signed)
    _finish(axes, head, scales, minus=minus, convention=convention, net=head.view.net and not beside)
    for number, values in enumerate(beside.values(), start=1):
        x, y = decimated(head.x * scales.x, values * signed)
        colour, dashes = _COLOURS[number % len(_COLOURS)], _DASHES[number % len(_DASHES)]
        lines += axes.plot(x, y, linewidth=0.8, color=colour, linestyle=dashes)
    if len(curves) + len(beside) > 1:
        names = ["net", *(name.removesuffix("_current") for name in beside)] if beside else [c.label for c in curves]
        legend(axes, lines, names)
    if grid is not None:
        bode(
            figure.add_subplot(grid[0, 1]),
            figure.add_subplot(grid[1, 1]),
            list(spectra.values()),
            [_look(number) for number in spectra],
        )
    if len(curves) == 1 and head.label:
        axes.set_title(legible(head.label, LONGEST_LABEL), fontsize=9, parse_math=False)
    return figure


def legend(axes: Axes, lines: Sequence[Line2D], names: Sequence[str]) -> None:
    """Name the lines; many names stand beside the picture."""
    many = len(names) > _MOST_INSIDE
    where: dict[str, Any] = {"loc": "upper left", "bbox_to_anchor": (1.01, 1.0)} if many else {"loc": "best"}
    found = axes.legend(
        lines,
        [legible(name, LONGEST_LABEL // 2 if many else LONGEST_LABEL) for name in names],
        fontsize=7 if many else 8,
        frameon=False,
        **where,
    )
    for text in found.get_texts():
        text.set_parse_math(False)


def save(figure: Figure, target: Path | IO[bytes], form: str | None = None) -> None:
    """Write a picture in the format that the file's name says, or `form`.  Raises CannotDraw for an unknown one."""
    form = target.suffix.removeprefix(".").lower() if isinstance(target, Path) else form
    if form not in FORMATS:
        raise CannotDraw(f"{target} names no picture format; end it in " + ", ".join(f".{f}" for f in FORMATS))
    with warnings.catch_warnings():
        # A script that the picture's font lacks is drawn as boxes; the words stand in the run.
        warnings.filterwarnings("ignore", "Glyph .* missing from")
        warnings.filterwarnings("ignore", "Matplotlib currently does not support")
        figure.savefig(target, format=form)


@dataclass(frozen=True)
class _Scales:
    """Factors from SI to what the axes show, and the prefixes or units that stand there."""

    x: float
    x_prefix: str
    y: float
    y_prefix: str


def _scales(curves: Sequence[Curve], beside: Mapping[str, NDArray[np.float64]]) -> _Scales:
    view = curves[0].view
    limits = [limit for each in curves for limit in each.band or ()]
    x = _axis_scale([each.x for each in curves], view.x)
    return _Scales(*x, *_axis_scale([*(each.y for each in curves), *beside.values(), *limits], view.y))


def _line(axes: Axes, each: Curve, number: int, x_factor: float, y_factor: float) -> Line2D:
    values = each.y * y_factor
    x, y = decimated(each.x * x_factor, np.abs(values) if each.view.style == "magnitude" else values)
    marker = "o" if each.frequency is not None or _finite(each) < 3 else None
    (line,) = axes.plot(x, y, linewidth=1.2, marker=marker, markersize=3, **_look(number))
    if each.band is not None:
        low, high = (limit * y_factor for limit in each.band)
        colour = _look(number)["color"]
        axes.fill_between(each.x * x_factor, low, high, color=colour, alpha=0.2, linewidth=0)
    return line


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


def _finish(axes: Axes, head: Curve, scales: _Scales, *, minus: bool, convention: Convention, net: bool) -> None:
    against, turned = legible(head.reference, LONGEST_LABEL), convention == "polarographic"
    axes.set_xlabel(title(head.view.x, scales.x_prefix, against), parse_math=False)
    logarithmic = head.view.style == "magnitude"
    y_title = title(head.view.y, scales.y_prefix, against, minus=minus, magnitude=logarithmic, net=net)
    axes.set_ylabel(y_title, parse_math=False)
    axes.ticklabel_format(useOffset=False)
    if logarithmic:
        axes.set_yscale("log")
    if head.view.style == "nyquist" and head.view.x == "impedance_real":
        axes.set_aspect("equal", adjustable="datalim")
    if turned and head.view.x == "applied_potential":
        axes.invert_xaxis()
    axes.grid(visible=True, linewidth=0.3)
