"""A control chart as a picture."""

from collections.abc import Sequence

import numpy as np
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from luggin.daemon.analysis.control_chart import ControlChart
from luggin.daemon.figures.curve import scale

_LINE, _SIGNAL = "#0072B2", "#D55E00"
_HARD_TO_SCALE = ("", "1")


def draw_control_chart(
    title: str, unit: str, times: Sequence[float], values: Sequence[float], chart: ControlChart
) -> Figure:
    """`times` in s since 1970, `values` in SI, in the order of time; what is out of control differs by shape too."""
    y = np.asarray(values, dtype=float)
    factor, prefix = (1.0, "") if unit in _HARD_TO_SCALE else scale(y)
    days = [time / 86400.0 for time in times]  # matplotlib counts dates in days since 1970
    figure = Figure(figsize=(7.5, 4.2), dpi=150, layout="constrained")
    axes = figure.add_subplot()
    axes.plot(days, y * factor, color=_LINE, linewidth=0.8, marker="o", markersize=4, label="values")
    for indices, marker, label in ((chart.beyond, "s", "beyond a limit"), (chart.run, "D", "eight on one side")):
        if indices:
            at = [days[index] for index in indices]
            axes.plot(
                at,
                y[list(indices)] * factor,
                color=_SIGNAL,
                linestyle="none",
                marker=marker,
                markersize=8,
                markerfacecolor="none",
                markeredgewidth=1.5,
                label=label,
            )
    lines = (("mean", chart.centre, "-"), ("upper limit", chart.upper, "--"), ("lower limit", chart.lower, "--"))
    for name, level, dashes in lines:
        axes.axhline(level * factor, color="#444444", linewidth=0.9, linestyle=dashes)
        axes.annotate(
            f"{name} {level * factor:.6g}",
            (1.0, level * factor),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            color="#444444",
        )
    if chart.baseline < len(days):
        axes.axvline(
            (days[chart.baseline - 1] + days[chart.baseline]) / 2, color="#444444", linewidth=0.8, linestyle=":"
        )
    locator = AutoDateLocator()  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes.ticklabel_format(axis="y", useOffset=False)
    shown = f"{prefix}{unit}".replace("ohm", "Ω") if unit not in _HARD_TO_SCALE else "1"
    axes.set_ylabel(f"{title.rpartition(' of ')[0] or title} / {shown}")
    axes.set_xlabel("UTC")
    axes.set_title(title, fontsize=9)
    axes.grid(visible=True, linewidth=0.3)
    if chart.out_of_control:
        axes.legend(fontsize=8, frameon=False)
    return figure
