"""What peak detection is told: how to look for peaks, which belong together, and whose they are."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Current, Potential, Resistance

Polarity = Literal["anodic", "cathodic"]
Anchors = tuple[Potential, Potential]


class Straight(Frozen):
    """A straight line between two points of the curve: at the `anchors` (V) for a peak that lies between them, else
    where a ruler laid under the peak touches the curve on both sides of it. The usual choice for pulse, square-wave
    and stripping voltammetry.
    """

    kind: Literal["straight"] = "straight"
    anchors: Anchors | None = None


class Tangent(Frozen):
    """A straight line through the curve ahead of the peak, prolonged under it: fitted between the `anchors` (V), or
    over a stretch ahead of the foot. The usual choice for linear sweep and cyclic voltammetry. It serves the height
    only: the peak potential is read off the curve as it is, since the tail of an earlier sweep is no background.
    """

    kind: Literal["tangent"] = "tangent"
    anchors: Anchors | None = None


class Polynomial(Frozen):
    """A polynomial through everything that is no peak."""

    kind: Literal["polynomial"] = "polynomial"
    order: Annotated[int, Field(ge=0, le=10)] = 3


class AsymmetricLeastSquares(Frozen):
    """A smooth curve that follows the lower edge of the data (the upper one for cathodic peaks).

    `stiffness` (V): undulations of this length are followed by half, shorter ones less; `asymmetry`: weight of
    points on the side of the peaks. Source: P. H. C. Eilers and H. F. M. Boelens, 2005; `pybaselines`.
    """

    kind: Literal["asymmetric-least-squares"] = "asymmetric-least-squares"
    stiffness: Potential = Field(1.0, gt=0)
    asymmetry: Annotated[float, Field(gt=0, lt=0.5)] = 0.005


BaselineSettings = Annotated[Straight | Tangent | Polynomial | AsymmetricLeastSquares, Field(discriminator="kind")]


class Smoothing(Frozen):
    """Settings of a Savitzky-Golay filter: `width` of the window in V, `order` of the polynomial."""

    width: Potential = Field(gt=0)
    order: Annotated[int, Field(ge=0, le=6)] = 2


class PeakSettings(Frozen):
    """How to look for peaks; stored with the result, so that the same curve gives the same peaks again.

    polarity: "along-scan" looks for anodic peaks where the potential rises and for cathodic ones where it falls.
    search: potentials between which tops are reported, V. Half-widths (V) bound what is taken for a peak; the
    smallest also sets how densely a curve is looked at. minimum_height in A; minimum_relative_height as a share of
    the highest peak found. significance: height of the curvature of a peak in standard deviations of its noise.
    overlap: overlapping peaks as the curve shows them, each with what its neighbours add, or resolved into a sum of
    symmetric peaks.
    """

    polarity: Literal["along-scan", "anodic", "cathodic", "both"] = "along-scan"
    search: tuple[Potential, Potential] | None = None
    minimum_half_width: Potential = Field(0.02, gt=0)
    maximum_half_width: Potential = Field(0.3, gt=0)
    minimum_height: Current = Field(0.0, ge=0)
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


class Analyte(Frozen):
    """A substance and the window (V) in which its peak is expected.

    The window is absolute, or counted from the peak of the analyte named in `relative_to` (a marker).
    """

    name: str = Field(min_length=1, max_length=64)
    window: tuple[Potential, Potential]
    relative_to: str | None = None
    polarity: Polarity | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.window[0] < self.window[1]:
            raise ValueError(
                f"window of {self.name} is {self.window[0]:g} to {self.window[1]:g} V; give the lower potential first."
            )
        return self


def consistent(analytes: tuple[Analyte, ...]) -> tuple[Analyte, ...]:
    """The same, if their names are unique and each marker has an absolute window of its own; else ValueError."""
    known: dict[str, Analyte] = {}
    for a in analytes:
        if a.name in known:
            raise ValueError(f"analyte {a.name} is listed twice; give every analyte once.")
        known[a.name] = a
    for a in analytes:
        if a.relative_to is None:
            continue
        marker = known.get(a.relative_to)
        if marker is None:
            raise ValueError(f"relative_to of {a.name} is {a.relative_to}; name an analyte of the list.")
        if marker.relative_to is not None:
            raise ValueError(
                f"relative_to of {a.name} is {marker.name}, whose own window is relative;"
                f" give {marker.name} an absolute window."
            )
    return analytes


class AnalyteList(Frozen):
    """Analytes with unique names; a marker has an absolute window of its own."""

    analytes: tuple[Analyte, ...]

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        consistent(self.analytes)
        return self


class PeakEdit(Frozen):
    """A peak that a person sets on a straight line between the `anchors` (V), or removes.

    `potential` (V) says where; a peak that is set without it stands where the curve is farthest from the line.
    `sweep` counts the sweeps of the run from 1; it may be left out where there is one only.
    """

    action: Literal["set", "remove"]
    potential: Potential | None = None
    anchors: Anchors | None = None
    sweep: int | None = Field(None, ge=1)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if (self.anchors is not None) != (self.action == "set"):
            raise ValueError("a peak is set between two anchors, and removed without; give both potentials, or none")
        if self.action == "remove" and self.potential is None:
            raise ValueError("potential is missing; say at which one the peak is that is to be removed")
        if self.anchors is None:
            return self
        low, high = sorted(self.anchors)
        if low == high:
            raise ValueError(f"both anchors are {low:g} V; give two potentials, one on either side of the peak")
        if self.potential is not None and not low < self.potential < high:
            raise ValueError(
                f"potential is {self.potential:g} V; it must lie between the anchors, {low:g} and {high:g} V"
            )
        return self


class Peaks(PeakSettings, EvaluationSettings):
    """Settings of the kind `peaks`: detection, pairing (`widest_separation`, V, of the two peaks of a couple),
    assignment to analytes, and what a person changed afterwards, in order.

    With `uncompensated_resistance` (ohm, the whole of it) the ohmic drop is taken off the measured potentials first.
    """

    kind: Literal["peaks"] = "peaks"
    widest_separation: Potential = Field(0.4, gt=0)
    analytes: tuple[Analyte, ...] = Field((), max_length=32)
    edits: tuple[PeakEdit, ...] = Field((), max_length=64)
    uncompensated_resistance: Resistance | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        consistent(self.analytes)
        return self


_TANGENT = {"baseline": {"kind": "tangent"}}
PEAKS = Kind(
    "peaks",
    "peaks of voltammetric curves: potential, height, area, widths; pairs of cyclic curves; whose peak it is",
    Peaks,
    after={
        "linear-sweep-voltammetry": _TANGENT,
        "cyclic-voltammetry": _TANGENT,
        "staircase-voltammetry": _TANGENT,
        "differential-pulse-voltammetry": {},
        "square-wave-voltammetry": {},
        "linear-sweep-stripping-voltammetry": {},
        "differential-pulse-stripping-voltammetry": {},
        "square-wave-stripping-voltammetry": {},
    },
)
