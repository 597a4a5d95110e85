"""Potential steps: chronoamperometry."""

from luggin.protocol.program import LONGEST, Block, Hold, Until
from luggin.protocol.quantity import Charge, Duration, Potential, show
from luggin.protocol.techniques.base import Measurement, Technique
from pydantic import Field, model_validator


class Chronoamperometry(Measurement):
    potential: Potential = Field(description="potential of the step")
    duration: Duration = Field(gt=0, le=LONGEST, description="how long the potential is held")
    period: Duration = Field(gt=0, description="time from one stored point to the next")
    end_charge: Charge | None = Field(None, gt=0, description="magnitude of the charge at which the step ends early")

    @model_validator(mode="after")
    def _sensible(self) -> "Chronoamperometry":
        if self.period > self.duration:
            raise ValueError(
                f"period {show(self.period, 's')} is longer than the step of {show(self.duration, 's')}; shorten it"
            )
        return self

    @property
    def starts_at(self) -> float:
        return self.potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        until = () if self.end_charge is None else (
            Until(quantity="charge", above=self.end_charge),
            Until(quantity="charge", below=-self.end_charge),
        )  # fmt: skip
        step = Hold(level=self.potential, duration=self.duration, period=self.period, until=until)
        return (Block(phase=phase, segments=(step,), pause="any-time"),)


CHRONOAMPEROMETRY = Technique(
    name="chronoamperometry",
    alias="CA",
    summary=(
        "The potential steps to a value at which the species reacts, and the current is recorded against time. At a"
        " flat electrode without stirring it falls with the square root of time (Cottrell equation)."
    ),
    parameters=Chronoamperometry,
    example="""\
version = 1
name = "step-check"
technique = "chronoamperometry"
notes = "Invented example: step into the limiting current of the redox probe"

[setup]
electrode = "gc-3"
reference = "Ag/AgCl (3 M KCl)"
area = "7.07 mm2"
sample = "redox-probe"

[ranging]
lower = "1 uA"
upper = "1 mA"
initial = "100 uA"

[[phases]]
phase = "settle"
potential = "0.6 V"
duration = "5 s"

[[phases]]
phase = "measure"
potential = "-0.1 V"
duration = "10 s"
period = "10 ms"
""",
)
