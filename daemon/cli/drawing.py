"""Drawings of text for a terminal."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from luggin.protocol.program import Program


def chart(
    x: Sequence[float],
    y: Sequence[float],
    x_title: str,
    y_title: str,
    title: str = "",
    width: int = 76,
    height: int = 17,
) -> str:
    """A line through the points; NaN interrupts it."""
    import plotext

    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(width, height)
    plotext.title(title)
    plotext.xlabel(x_title)
    plotext.ylabel(y_title)
    for xs, ys in _pieces(x, y):
        plotext.plot(xs, ys, marker="braille")
    return str(plotext.uncolorize(plotext.build())).rstrip()


def program_chart(program: "Program", width: int = 76) -> str:
    """What the program applies against time."""
    from luggin.protocol.profile import course

    times: list[float] = []
    levels: list[float] = []
    current = False
    for piece in course(program):
        current = current or piece.control == "current"
        for when, level in ((piece.begin, piece.level), (piece.end, piece.final)):
            times.append(when)
            levels.append(float("nan") if level is None else level)
    if all(level != level for level in levels):
        return "  (cell open throughout: nothing is applied, the potential is measured)"
    return chart(times, levels, "time / s", "i / A" if current else "E / V", width=width, height=14)


def _pieces(x: Sequence[float], y: Sequence[float]) -> list[tuple[list[float], list[float]]]:
    pieces: list[tuple[list[float], list[float]]] = [([], [])]
    for a, b in zip(x, y, strict=True):
        if b != b:
            pieces.append(([], []))
        else:
            pieces[-1][0].append(a)
            pieces[-1][1].append(b)
    return [piece for piece in pieces if piece[0]]
