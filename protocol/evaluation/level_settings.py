"""The kind `levels`: what stood at the end of a measurement that waits, holds or steps."""

from typing import Literal

from pydantic import Field

from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.quantity import Duration


class Levels(EvaluationSettings):
    """Settings: the `last` so many seconds of the measuring phase are looked at, all of it when that is not given."""

    kind: Literal["levels"] = "levels"
    last: Duration | None = Field(None, gt=0)


LEVELS = Kind(
    "levels",
    "mean, spread, last value and drift of potential and current, and the charge passed",
    Levels,
    after={
        "open-circuit-potential": {"last": 10.0},
        "chronoamperometry": {},
        "double-step-chronoamperometry": {},
        "multiple-step-chronoamperometry": {},
        "chronocoulometry": {},
        "controlled-potential-coulometry": {},
        "amperometric-monitoring": {},
        "pulsed-amperometric-detection": {},
        "chronopotentiometry": {},
        "current-step-chronopotentiometry": {},
        "galvanostatic-charge-discharge": {},
        "zero-resistance-ammetry": {},
    },
)
