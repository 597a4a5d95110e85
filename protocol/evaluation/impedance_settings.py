"""The kind `impedance`: is a spectrum sound (Kramers-Kronig), and which values does a circuit take in it."""

from typing import Literal

from pydantic import Field, field_validator

from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.quantity import Ratio

MOST_CODE = 64


class Impedance(EvaluationSettings):
    """Settings: the `circuit` to fit, in the notation R(RC): side by side in parentheses, else in series; R, C, L, Q,
    W, O, T are resistance, capacitance, inductance, constant phase, and diffusion without and with an end.
    Without one the spectrum is only tested."""

    kind: Literal["impedance"] = "impedance"
    circuit: str | None = Field(None, min_length=1, max_length=MOST_CODE)
    weighting: Literal["modulus", "unit"] = "modulus"
    confidence: Ratio = Field(0.95, gt=0, lt=1)

    @field_validator("circuit")
    @classmethod
    def _balanced(cls, code: str | None) -> str | None:
        if code is not None and code.count("(") != code.count(")"):
            raise ValueError("its parentheses don't match; write for instance R(RC)")
        return code


IMPEDANCE = Kind(
    "impedance",
    "Kramers-Kronig test of a spectrum, and the fit of a circuit that is named",
    Impedance,
    after={"impedance-spectroscopy": {}, "galvanostatic-impedance-spectroscopy": {}},
)
