"""What peak detection is told and what it answers; everything is immutable and turns into JSON."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from luggin.daemon.analysis.baseline import BaselineSettings, Straight, Tangent
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Result
from luggin.daemon.analysis.smoothing import Smoothing

Polarity = Literal["anodic", "cathodic"]
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


class PeakSettings(Result):
    """How to look for peaks; stored with the result, so that the same curve gives the same peaks again.

    polarity: "along-scan" looks for anodic peaks where the potential rises and for cathodic ones where it falls.
    search: potentials between which tops are reported, V. Half-widths (V) bound what is taken for a peak; the
    smallest also sets how densely a curve is looked at. minimum_height in A; minimum_relative_height as a share of
    the highest peak found. significance: height of the curvature of a peak in standard deviations of its noise.
    overlap: overlapping peaks as the curve shows them, each with what its neighbours add, or resolved into a sum of
    symmetric peaks.
    """

    polarity: Literal["along-scan", "anodic", "cathodic", "both"] = "along-scan"
    search: tuple[float, float] | None = None
    minimum_half_width: Annotated[float, Field(gt=0)] = 0.02
    maximum_half_width: Annotated[float, Field(gt=0)] = 0.3
    minimum_height: Annotated[float, Field(ge=0)] = 0.0
    minimum_relative_height: Annotated[float, Field(ge=0, lt=1)] = 0.02
    significance: Annotated[float, Field(ge=3)] = 5.0
    smoothing: Smoothing | None = None
    baseline: BaselineSettings = Straight()
    overlap: Literal["as-measured", "resolved"] = "as-measured"

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.maximum_half_width < self.minimum_half_width:
            raise ValueError(
                f"maximum_half_width is {self.maximum_half_width:g} V and minimum_half_width"
                f" {self.minimum_half_width:g} V; give a maximum that is not below the minimum."
            )
        return self


class PeakBaseline(Result):
    """The baseline under one peak: corner points, potentials in V (scan order) and currents in A."""

    kind: str
    potential: tuple[float, ...]
    current: tuple[float, ...]


class Peak(Result):
    """One peak. Currents keep their sign: `height` and `area` of a cathodic peak are negative.

    potential: peak potential E_p, V; height: peak current i_p above the baseline, A; area: integral of the current
    above the baseline over the potential, A V; charge: area over scan rate, C, where the scan rate is known;
    half_width: W_1/2, V; half_peak_potential: E_p/2 on the side that the scan comes from, V; asymmetry: width at half
    height behind the top over that before it, in scan order; u_potential, u_height: standard uncertainties from
    the noise and the baseline. A value that the curve doesn't give is None. shape "shoulder": no top of its own,
    the potential is that of the strongest bend; overlapped: it shares its feet with a neighbour, which adds to its
    height unless the settings ask for overlapping peaks to be resolved; notes: what makes the values doubtful.
    """

    polarity: Polarity
    potential: float
    height: float
    area: float
    charge: float | None
    half_width: float | None
    half_peak_potential: float | None
    asymmetry: float | None
    u_potential: float
    u_height: float
    shape: Literal["peak", "shoulder"]
    overlapped: bool
    baseline: PeakBaseline
    by_hand: bool = False
    notes: tuple[str, ...] = ()


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
