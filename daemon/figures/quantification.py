"""The line of a calibration or a standard addition, as it is usually looked at."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy import stats

from luggin.daemon.analysis.rounding import rounded
from luggin.daemon.figures.curve import CannotDraw, scale
from luggin.protocol.evaluation.concentrations import scaled
from luggin.protocol.evaluation.quantification_results import AdditionBody, CalibrationBody
from luggin.protocol.evaluation.statistics import Estimate, Line
from luggin.protocol.payloads import Evaluation

# Okabe & Ito, Color Universal Design (2008).
_POINTS, _LINE, _RESULT = "#0072B2", "#000000", "#D55E00"
Floats = NDArray[np.float64]


def line_figure(made: Evaluation) -> Figure:
    """Raises CannotDraw for an evaluation that has no line."""
    if made.kind == "standard-addition":
        return _addition(AdditionBody.model_validate(made.body))
    if made.kind == "calibration":
        return _calibration(CalibrationBody.model_validate(made.body))
    raise CannotDraw(f"{made.name} is of the kind {made.kind}, which has no line; name a calibration or an addition")


def _addition(body: AdditionBody) -> Figure:
    added = np.array([level.added for level in body.levels for _ in level.corrected])
    signal = np.array([each for level in body.levels for each in level.corrected])
    taken = body.taken
    low, high = (-bound if bound is not None else -taken.value for bound in (taken.upper, taken.lower))
    x_factor, x_unit = scaled(max(added.max(), abs(low)), body.concentration_unit)
    y_factor, prefix = scale(signal)
    figure, axes = _canvas()
    _lined(axes, body.line, (min(low, -taken.value), float(added.max())), (x_factor, y_factor), taken.confidence)
    axes.plot(added * x_factor, signal * y_factor, "o", color=_POINTS, markersize=5, fillstyle="none", label="runs")
    axes.axhline(0, color=_LINE, linewidth=0.6)
    axes.axvline(0, color=_LINE, linewidth=0.6)
    intercept = f"$c$ = {_rounded(taken, x_factor)} {x_unit}"
    ends = [[-taken.value - low], [high + taken.value]]
    if taken.lower is not None:
        intercept += f", {taken.confidence * 100:g} % interval"
    axes.errorbar(
        [-taken.value * x_factor],
        [0],
        xerr=np.array(ends) * x_factor,
        fmt="|",
        color=_RESULT,
        markersize=9,
        capsize=5,
        elinewidth=2,
        label=intercept,
        zorder=3,
    )
    axes.set_xlabel(f"added $c$({_plain(body.analyte)}) in the sample / ({x_unit})")
    axes.set_ylabel(_signal(body.signal, prefix, body.signal_unit, "volume-corrected "))
    _titled(axes, f"{body.analyte} in {body.sample or body.name}, standard addition", body.line.slope)
    return figure


def _calibration(body: CalibrationBody) -> Figure:
    document = body.calibration
    x = np.array([each.concentration for each in document.standards for _ in each.signals])
    y = np.array([signal for each in document.standards for signal in each.signals])
    x_factor, x_unit = scaled(float(x.max()), document.concentration_unit)
    y_factor, prefix = scale(y)
    figure, axes = _canvas()
    _lined(axes, document.line, (min(0.0, float(x.min())), float(x.max())), (x_factor, y_factor), 0.95)
    axes.plot(x * x_factor, y * y_factor, "o", color=_POINTS, markersize=5, fillstyle="none", label="standards")
    axes.set_xlabel(f"$c$({_plain(document.analyte)}) / ({x_unit})")
    axes.set_ylabel(_signal(document.signal, prefix, document.signal_unit))
    _titled(
        axes, f"{document.name}: {document.analyte}, {document.electrode or 'electrode not named'}", document.line.slope
    )
    return figure


def _canvas() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(7.0, 4.6), dpi=150, layout="constrained")
    return figure, figure.add_subplot()


def _lined(axes: Axes, line: Line, ends: tuple[float, float], factors: tuple[float, float], confidence: float) -> None:
    """The line and the confidence band of its mean response (Draper & Smith, Applied Regression Analysis, ch. 1)."""
    reach = 0.05 * (ends[1] - ends[0])
    x = np.linspace(ends[0] - reach, ends[1] + reach, 200)
    y = line.at(x)
    axes.plot(x * factors[0], y * factors[1], color=_LINE, linewidth=1.2, label="line")
    if line.residual_sd:
        t = float(stats.t.ppf((1 + confidence) / 2, line.degrees_of_freedom))
        half: Floats = t * line.residual_sd * np.sqrt(1 / line.points + (x - line.x_mean) ** 2 / line.sxx)
        low, high = (y - half) * factors[1], (y + half) * factors[1]
        words = f"{confidence * 100:g} % band of the line"
        axes.fill_between(x * factors[0], low, high, color=_LINE, alpha=0.15, linewidth=0, label=words)


def _signal(name: str, prefix: str, unit: str, before: str = "") -> str:
    symbol = {"height": "$i_\\mathrm{p}$", "area": "peak area"}.get(name, _plain(name))
    return f"{before}{symbol} / ({prefix}{unit})" if " " in unit else f"{before}{symbol} / {prefix}{unit or 1}"


def _rounded(estimate: Estimate, factor: float) -> str:
    if not estimate.standard_uncertainty:
        return f"{estimate.value * factor:.4g}"
    return rounded(estimate.value * factor, estimate.standard_uncertainty * factor).value


def _titled(axes: Axes, words: str, slope: float) -> None:
    axes.set_title(_plain(words), fontsize=9)
    axes.grid(visible=True, linewidth=0.3)
    axes.legend(fontsize=8, frameon=False, loc="upper left" if slope > 0 else "lower left")


def _plain(words: str) -> str:
    """Text in which a dollar sign begins no formula."""
    return words.replace("$", r"\$")
