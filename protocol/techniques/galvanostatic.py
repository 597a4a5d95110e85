"""Controlled current: chronopotentiometry, current steps, charge and discharge.  All start at zero current."""

from typing import Annotated

from pydantic import Field, model_validator

from luggin.protocol.program import LONGEST, Block, Frozen, Hold, Until
from luggin.protocol.quantity import Current, Duration, Potential
from luggin.protocol.techniques.base import POTENTIAL_AGAINST_TIME, Measurement, Technique, example
from luggin.protocol.techniques.steps import period_fits


def _cut_offs(low: float | None, high: float | None) -> tuple[Until, ...]:
    return tuple(
        until
        for until in (
            None if low is None else Until(quantity="potential", below=low),
            None if high is None else Until(quantity="potential", above=high),
        )
        if until is not None
    )


class _Galvanostatic(Measurement):
    period: Duration = Field(gt=0, description="time from one stored point to the next")
    rest_time: Duration = Field(1.0, gt=0, le=LONGEST, description="time at zero current before the first step")

    @property
    def starts_at(self) -> None:
        return None

    def _current(self, level: float, duration: float, until: tuple[Until, ...] = ()) -> Hold:
        # A range change under current control with the cell closed would be a jump of current.
        return Hold(control="current", level=level, duration=duration, period=self.period, until=until, autorange=False)


class Chronopotentiometry(_Galvanostatic):
    current: Current = Field(description="current of the step, anodic positive")
    duration: Duration = Field(gt=0, le=LONGEST, description="how long it flows at most")
    low_potential: Potential | None = Field(None, description="potential below which the step ends")
    high_potential: Potential | None = Field(None, description="potential above which the step ends")

    @model_validator(mode="after")
    def _sensible(self) -> "Chronopotentiometry":
        period_fits(self.period, min(self.duration, self.rest_time))
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        until = _cut_offs(self.low_potential, self.high_potential)
        steps = (self._current(0.0, self.rest_time), self._current(self.current, self.duration, until))
        return (Block(phase=phase, segments=steps),)


class CurrentStep(Frozen):
    current: Current = Field(description="current of the step, anodic positive")
    duration: Duration = Field(gt=0, le=LONGEST, description="how long it flows at most")
    low_potential: Potential | None = Field(None, description="potential below which the step ends")
    high_potential: Potential | None = Field(None, description="potential above which the step ends")


class CurrentSteps(_Galvanostatic):
    steps: Annotated[tuple[CurrentStep, ...], Field(min_length=1, max_length=64)] = Field(
        description="list of tables, each with current, duration and, if wanted, low_potential and high_potential"
    )

    @model_validator(mode="after")
    def _sensible(self) -> "CurrentSteps":
        period_fits(self.period, min(self.rest_time, *(step.duration for step in self.steps)))
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        steps = tuple(
            self._current(step.current, step.duration, _cut_offs(step.low_potential, step.high_potential))
            for step in self.steps
        )
        return (Block(phase=phase, segments=(self._current(0.0, self.rest_time), *steps)),)


class ChargeDischarge(_Galvanostatic):
    charge_current: Current = Field(gt=0, description="magnitude of the current that raises the potential")
    discharge_current: Current = Field(gt=0, description="magnitude of the current that lowers the potential")
    high_potential: Potential = Field(description="potential at which charging ends")
    low_potential: Potential = Field(description="potential at which discharging ends")
    longest_half_cycle: Duration = Field(gt=0, le=LONGEST, description="time after which a half cycle ends anyway")
    cycles: int = Field(1, ge=1, le=100_000, description="number of cycles")

    @model_validator(mode="after")
    def _sensible(self) -> "ChargeDischarge":
        period_fits(self.period, min(self.longest_half_cycle, self.rest_time))
        if self.low_potential >= self.high_potential:
            raise ValueError("low_potential must lie below high_potential; exchange them")
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        up = self._current(self.charge_current, self.longest_half_cycle, _cut_offs(None, self.high_potential))
        down = self._current(-self.discharge_current, self.longest_half_cycle, _cut_offs(self.low_potential, None))
        return (
            Block(phase=phase, segments=(self._current(0.0, self.rest_time),)),
            Block(phase=phase, segments=(up, down), repeat=self.cycles, pause="between-repeats"),
        )


_FIXED = 'fixed = "100 uA"'
_WINDOW = '[limits]\npotential = { low = "-0.8 V", high = "1.0 V" }'

CHRONOPOTENTIOMETRY = Technique(
    name="chronopotentiometry",
    alias="CP",
    summary=(
        "A constant current flows and the potential is recorded until the species at the electrode is used up: the"
        " transition time follows Sand's equation."
    ),
    parameters=Chronopotentiometry,
    view=POTENTIAL_AGAINST_TIME,
    example=example(
        "transition-time",
        "chronopotentiometry",
        "reduction of the redox probe at constant current",
        'current = "-10 uA"\nduration = "20 s"\nperiod = "20 ms"\nlow_potential = "-0.4 V"',
        sample="redox-probe",
        ranging=_FIXED,
        after=_WINDOW,
    ),
)
CURRENT_STEPS = Technique(
    name="current-step-chronopotentiometry",
    alias="CSCP",
    summary=(
        "A list of currents, each until its time or a potential is reached; a reversal of the current is the simplest"
        " case. It starts from zero current."
    ),
    parameters=CurrentSteps,
    view=POTENTIAL_AGAINST_TIME,
    example=example(
        "current-reversal",
        "current-step-chronopotentiometry",
        "the redox probe reduced, then oxidised again",
        """
period = "20 ms"

[[phases.steps]]
current = "-10 uA"
duration = "20 s"
low_potential = "-0.3 V"

[[phases.steps]]
current = "10 uA"
duration = "20 s"
high_potential = "0.7 V"
""",
        sample="redox-probe",
        ranging=_FIXED,
        after=_WINDOW,
    ),
)
CHARGE_DISCHARGE = Technique(
    name="galvanostatic-charge-discharge",
    alias="GCD",
    summary=(
        "Charging and discharging with constant currents between two potentials, as often as wanted. The times give the"
        " capacity, their ratio the coulombic efficiency, the jump at reversal the resistance."
    ),
    parameters=ChargeDischarge,
    view=POTENTIAL_AGAINST_TIME,
    example=example(
        "carbon-capacity",
        "galvanostatic-charge-discharge",
        "capacity of an activated-carbon electrode from a treatment column",
        """
charge_current = "2 mA"
discharge_current = "2 mA"
high_potential = "0.8 V"
low_potential = "0 V"
longest_half_cycle = "2 min"
period = "0.1 s"
cycles = 3
""",
        sample="carbon-electrode",
        electrode="carbon-2",
        area="1 cm2",
        ranging='fixed = "10 mA"',
        after=_WINDOW,
    ),
)
