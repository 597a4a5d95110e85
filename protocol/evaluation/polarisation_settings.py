"""The kind `polarisation`: polarisation resistance or Tafel slopes of a corroding metal, and its rate of corrosion."""

from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.quantity import MassConcentration, MolarMass, Potential, Resistance


class Polarisation(EvaluationSettings):
    """Settings.  The slope is taken `window` (V) on either side of the corrosion potential, Tafel slopes are fitted
    within `tafel_window` of it.

    A rate of corrosion needs `equivalent_weight` (kg/mol), `density` (kg/m3) and the area that the method states; from
    a polarisation resistance also both Tafel slopes as magnitudes (V per decade).  `uncompensated_resistance` (ohm, the
    whole of it) is taken off.
    """

    kind: Literal["polarisation"] = "polarisation"
    window: Potential = Field(0.01, gt=0, le=0.1)
    tafel_window: Potential = Field(0.25, gt=0, le=1)
    anodic_slope: Potential | None = Field(None, gt=0, le=10)
    cathodic_slope: Potential | None = Field(None, gt=0, le=10)
    equivalent_weight: MolarMass | None = Field(None, gt=0)
    density: MassConcentration | None = Field(None, gt=0)
    uncompensated_resistance: Resistance | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _complete(self) -> "Polarisation":
        if (self.anodic_slope is None) != (self.cathodic_slope is None):
            raise ValueError(
                "the Stern-Geary coefficient needs both Tafel slopes; give anodic_slope and cathodic_slope"
            )
        if (self.equivalent_weight is None) != (self.density is None):
            raise ValueError("a rate of corrosion needs equivalent_weight and density; give both or neither")
        return self


POLARISATION = Kind(
    "polarisation",
    "corrosion potential, polarisation resistance or Tafel slopes, and the rate of corrosion",
    Polarisation,
    after={"polarisation-resistance": {}, "tafel-polarisation": {}},
)
