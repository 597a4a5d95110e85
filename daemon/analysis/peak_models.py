"""What peak detection answers for one sweep; everything is immutable and turns into JSON."""

from typing import Literal

from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Result
from luggin.protocol.evaluation.peak_results import Peak
from luggin.protocol.evaluation.peak_settings import PeakSettings, Tangent

PeakProperty = Literal[
    "potential",
    "height",
    "area",
    "charge",
    "half_width",
    "half_peak_potential",
    "asymmetry",
    "u_potential",
    "u_height",
]


class HandEdit(Result):
    """Something a person changed: a peak set or removed, where, and on which baseline points."""

    action: Literal["set", "removed"]
    potential: float
    anchors: tuple[float, float] | None = None


class PeakResult(Result):
    """Peaks of one sweep in order of potential. noise: standard deviation of a point, A; scan_rate in V/s.

    `notes` say what a reader should know, above all why no peak was found. `edits` is empty for a result that is
    what detection gave.
    """

    settings: PeakSettings
    peaks: tuple[Peak, ...]
    direction: Literal[-1, 0, 1]
    noise: float | None
    scan_rate: float | None
    points_used: int
    points_ignored: int
    notes: tuple[str, ...] = ()
    edits: tuple[HandEdit, ...] = ()


SWEEP_SETTINGS = PeakSettings(baseline=Tangent())
"""For linear sweep and cyclic voltammetry: the baseline ahead of the foot, prolonged under the peak."""


def property_of(peak: Peak, name: PeakProperty) -> float | None:
    """A property of a peak by its name; AnalysisError for a name that is none."""
    if name not in PeakProperty.__args__:  # type: ignore[attr-defined]
        raise AnalysisError(f"property is {name!r}; choose one of {', '.join(PeakProperty.__args__)}.")  # type: ignore[attr-defined]
    value: float | None = getattr(peak, name)
    return value
