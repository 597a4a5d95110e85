"""Runs against each other: difference, mean and spread of replicates, and what is left above a blank.  Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from luggin.daemon.analysis import compare
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.sweeps import split_sweeps
from luggin.daemon.figures.curve import Curve
from luggin.protocol.points import COLUMNS
from luggin.protocol.techniques.base import View

Floats = NDArray[np.float64]
_SWEPT = ("applied_potential", "potential")


@dataclass(frozen=True)
class Compared:
    """Curves to draw, `columns` (x first, arrays of shape (n,) in SI units), and what is to be said of them."""

    curves: tuple[Curve, ...]
    columns: Mapping[str, Floats]
    notes: tuple[str, ...] = ()

    @property
    def units(self) -> dict[str, str]:
        """The SI unit of each column; all but the first are of the kind of y."""
        x, y = self.curves[0].view.x, self.curves[0].view.y
        return {name: COLUMNS[x if name == x else y].unit for name in self.columns}


def difference(first: Curve, second: Curve, sweep: int = 1) -> Compared:
    """`first` less `second`, interpolated to common potentials or times.  Raises AnalysisError."""
    pair = _sweeps([first, second], sweep)
    x, y = compare.difference(*pair)
    label = f"{first.label} less {second.label}"
    return Compared((_derived(first, label, x, y),), {first.view.x: x, "difference": y}, _which(first, sweep))


def mean(curves: Sequence[Curve], sweep: int = 1, confidence: float = 0.95) -> Compared:
    """Mean of replicates point by point, with its confidence limits and the standard deviation.

    Raises AnalysisError for fewer than two curves, and for curves that have nothing in common.
    """
    if len(curves) < 2:
        raise AnalysisError("One run has no spread; name at least two replicates.")
    found = compare.replicate_mean(_sweeps(curves, sweep), confidence)
    assert found.sd is not None
    assert found.lower is not None
    assert found.upper is not None
    label = f"mean of {len(curves)} runs, {confidence:.0%} limits of the mean"
    drawn = replace(_derived(curves[0], label, found.potential, found.mean), band=(found.lower, found.upper))
    columns = {"mean": found.mean, "sd": found.sd, "lower": found.lower, "upper": found.upper}
    return Compared((drawn,), {curves[0].view.x: found.potential, **columns}, _which(curves[0], sweep))


def above_blank(curve: Curve, blank: Curve) -> Compared:
    """What is left of a run's curve above a blank's, sweep by sweep, at the run's own points.  Raises AnalysisError."""
    _alike([curve, blank])
    found = compare.subtract_blank(curve.x, curve.y, blank.x, blank.y)
    if not found.covered.any():
        raise AnalysisError(f"{blank.label} has no points where {curve.label} has some; it is no blank of it.")
    drawn = _derived(curve, f"{curve.label} above {blank.label}", curve.x, found.current)
    notes = tuple(f"{curve.label}: {note}" for note in found.notes)
    return Compared((drawn,), {curve.view.x: curve.x, "above_blank": found.current}, notes)


def _derived(like: Curve, label: str, x: Floats, y: Floats) -> Curve:
    view = View(like.view.x, like.view.y, net=like.view.net)
    return Curve(label, view, like.reference, x, y)


def _which(curve: Curve, sweep: int) -> tuple[str, ...]:
    return (f"sweep {sweep} of each run",) if curve.view.x in _SWEPT else ()


def _alike(curves: Sequence[Curve]) -> None:
    head = curves[0]
    if any(each.view != head.view for each in curves):
        raise AnalysisError("These runs are looked at in different ways; compare runs of one technique.")
    if any(each.reference != head.reference for each in curves):
        named = " and ".join(dict.fromkeys(each.reference for each in curves))
        raise AnalysisError(f"These runs have potentials against {named}; compare runs against one reference.")
    if head.frequency is not None or head.view.x not in (*_SWEPT, "time"):
        raise AnalysisError("Spectra of impedance are compared by laying them over each other only.")
    for each in curves:
        if np.isfinite(each.y).sum() < 2:
            raise AnalysisError(f"{each.label} has fewer than two points that are fit to be compared.")


def _sweeps(curves: Sequence[Curve], number: int) -> list[compare.Curve]:
    _alike(curves)
    parts = [_sweep(each, number) for each in curves]
    if curves[0].view.x == "time":
        begin, end = max(float(part[0].min()) for part in parts), min(float(part[0].max()) for part in parts)
        if begin >= end:
            raise AnalysisError(f"The runs share no time: one begins at {begin:g} s, one ends at {end:g} s.")
    return [compare.Curve(x, y) for x, y in parts]


def _sweep(curve: Curve, number: int) -> tuple[Floats, Floats]:
    if curve.view.x not in _SWEPT:
        return curve.x, curve.y
    sweeps = split_sweeps(curve.x)
    if not 1 <= number <= len(sweeps):
        raise AnalysisError(f"{curve.label} has {len(sweeps)} sweeps; there is no sweep {number}.")
    part = sweeps[number - 1].part
    return curve.x[part], curve.y[part]
