"""The kind `resistance`: the uncompensated resistance, from the impedance at a high frequency."""

from typing import Literal

from luggin.protocol.evaluation.base import EvaluationSettings, Kind


class UncompensatedResistanceSettings(EvaluationSettings):
    """Settings: none.  The resistance is measured, never compensated by the instrument: evaluations correct for it."""

    kind: Literal["resistance"] = "resistance"


RESISTANCE = Kind(
    "resistance",
    "uncompensated resistance between reference and working electrode, for corrections afterwards",
    UncompensatedResistanceSettings,
    after={"uncompensated-resistance": {}},
)
