"""The kind `qualification`: whether an instrument on a dummy cell, or an electrode in a redox probe, is fit for use."""

from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.fitness.dummy import DummyCell
from luggin.protocol.fitness.probe import RedoxProbe
from luggin.protocol.quantity import Duration

DAY = 86400.0


class Qualification(EvaluationSettings):
    """Settings: what the runs were made against, how long the outcome holds, and what they could not look at.

    On a `dummy` cell the instrument is qualified, in a `probe` the electrode that the runs name.
    """

    kind: Literal["qualification"] = "qualification"
    dummy: DummyCell | None = None
    probe: RedoxProbe | None = None
    valid_for: Duration = Field(30 * DAY, gt=0, le=10 * 366 * DAY)
    left_out: tuple[str, ...] = Field((), max_length=64)

    @model_validator(mode="after")
    def _one(self) -> "Qualification":
        if (self.dummy is None) == (self.probe is None):
            raise ValueError("a qualification is made against one thing; give either dummy or probe")
        return self


QUALIFICATION = Kind(
    "qualification",
    "whether an instrument on a dummy cell, or an electrode in a redox probe, is fit for use",
    Qualification,
    most_runs=64,
)
