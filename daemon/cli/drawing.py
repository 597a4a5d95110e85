"""Drawings of text for a terminal."""

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from luggin.daemon.figures.curve import Curve
    from luggin.protocol.program import Program, Pulses, Sine


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


def levels_chart(
    values: Sequence[float], levels: Sequence[float], title: str, width: int = 78, height: int = 18
) -> str:
    """Values one after the other, counted from 1, and horizontal lines."""
    import plotext

    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(width, height)
    plotext.xlabel("number")
    plotext.ylabel(title)
    numbers = list(range(1, len(values) + 1))
    for level in levels:
        plotext.plot([1, len(values)], [level, level], marker="-")
    plotext.scatter(numbers, list(values), marker="o")
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


def detail_charts(program: "Program", width: int = 76) -> Iterator[tuple[str, str]]:
    """(title, drawing) of what the whole course is too long to show: the first pulse train and the first sine."""
    from luggin.protocol.program import Pulses, Sine

    segments = [segment for block in program.blocks for segment in block.segments]
    for train in [s for s in segments if isinstance(s, Pulses) and len(s.pulses) > 1][:1]:
        yield "The first periods of its pulse train", _train_chart(train, width)
    for sine in [s for s in segments if isinstance(s, Sine)][:1]:
        yield f"Two cycles of its first frequency, {sine.frequencies[0]:.6g} Hz", _sine_chart(sine, width)


def _train_chart(train: "Pulses", width: int, periods: int = 4) -> str:
    from luggin.protocol.profile import pieces

    times, levels, now = [], [], 0.0
    for seconds, level, _ in itertools.islice(pieces(train, 0.0, 0.0), periods * len(train.pulses)):
        assert level is not None
        times += [now, now + seconds]
        levels += [level, level]
        now += seconds
    return chart(times, levels, "time / s", "E / V", width=width, height=12)


def _sine_chart(sine: "Sine", width: int) -> str:
    angles = [2 * math.pi * step / 64 for step in range(129)]
    times = [angle / (2 * math.pi * sine.frequencies[0]) * 1e3 for angle in angles]
    levels = [(sine.bias or 0.0) + sine.amplitude * math.sin(angle) for angle in angles]
    title = "E / V" if sine.control == "potential" else "i / A"
    return chart(times, levels, "time / ms", title, width=width, height=12)


def curve_chart(curve: "Curve", width: int = 78, height: int = 18) -> str:
    """A run's curve, thinned to what a terminal can show."""
    from luggin.daemon.figures.curve import scale, title
    from luggin.daemon.figures.decimate import decimated

    minus = curve.view.style == "nyquist"
    factor, prefix = scale(curve.y)
    x, y = decimated(curve.x, curve.y * factor * (-1 if minus else 1), across=2 * width, down=4 * height)
    x_title = title(curve.view.x, "", curve.reference)
    y_title = title(curve.view.y, prefix, curve.reference, minus=minus, net=curve.view.net)
    return chart(x.tolist(), y.tolist(), x_title, y_title, "", width, height)


def _pieces(x: Sequence[float], y: Sequence[float]) -> list[tuple[list[float], list[float]]]:
    pieces: list[tuple[list[float], list[float]]] = [([], [])]
    for a, b in zip(x, y, strict=True):
        if b != b:
            pieces.append(([], []))
        else:
            pieces[-1][0].append(a)
            pieces[-1][1].append(b)
    return [piece for piece in pieces if piece[0]]
