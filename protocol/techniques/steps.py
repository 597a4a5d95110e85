"""Potential steps: chronoamperometry and chronocoulometry with one or several steps, and coulometry to an end."""

from typing import Annotated

from pydantic import Field, model_validator

from luggin.protocol.program import LONGEST, Block, Frozen, Hold, Until
from luggin.protocol.quantity import Charge, Duration, Potential, Ratio, show
from luggin.protocol.techniques.base import AGAINST_TIME, SETTLE, Measurement, Technique, Versus, View, example


def charge_until(magnitude: float | None) -> tuple[Until, ...]:
    """End conditions that fire once this magnitude of charge has passed, in either direction."""
    if magnitude is None:
        return ()
    return (Until(quantity="charge", above=magnitude), Until(quantity="charge", below=-magnitude))


def period_fits(period: float, duration: float) -> None:
    """Raise ValueError when not even one point fits."""
    if period > duration:
        raise ValueError(f"period {show(period, 's')} is longer than the step of {show(duration, 's')}; shorten it")


class _Timed(Measurement):
    period: Duration = Field(gt=0, description="time from one stored point to the next")
    versus: Versus = Field("reference", description="what the potentials are given against")

    @property
    def relative(self) -> bool:
        return self.versus == "open-circuit"

    def _hold(self, level: float, duration: float, until: tuple[Until, ...] = (), *, integrate: bool = False) -> Hold:
        return Hold(
            level=level,
            duration=duration,
            period=self.period,
            until=until,
            integrate=integrate,
            versus_open_circuit=self.relative,
        )


class Chronoamperometry(_Timed):
    potential: Potential = Field(description="potential of the step")
    duration: Duration = Field(gt=0, le=LONGEST, description="how long the potential is held")
    end_charge: Charge | None = Field(None, gt=0, description="magnitude of the charge at which the step ends early")

    @model_validator(mode="after")
    def _sensible(self) -> "Chronoamperometry":
        period_fits(self.period, self.duration)
        return self

    @property
    def starts_at(self) -> float:
        return self.potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        step = self._hold(self.potential, self.duration, charge_until(self.end_charge))
        return (Block(phase=phase, segments=(step,), pause="any-time"),)


class DoubleStep(_Timed):
    first_potential: Potential = Field(description="potential of the first step")
    first_duration: Duration = Field(gt=0, le=LONGEST, description="how long the first potential is held")
    second_potential: Potential = Field(description="potential of the second step")
    second_duration: Duration = Field(gt=0, le=LONGEST, description="how long the second potential is held")

    @model_validator(mode="after")
    def _sensible(self) -> "DoubleStep":
        period_fits(self.period, min(self.first_duration, self.second_duration))
        return self

    @property
    def starts_at(self) -> float:
        return self.first_potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        first = self._hold(self.first_potential, self.first_duration)
        second = self._hold(self.second_potential, self.second_duration)
        return (Block(phase=phase, segments=(first, second)),)


class Step(Frozen):
    potential: Potential = Field(description="potential of the step")
    duration: Duration = Field(gt=0, le=LONGEST, description="how long it is held")


class MultipleSteps(_Timed):
    steps: Annotated[tuple[Step, ...], Field(min_length=1, max_length=64)] = Field(
        description="list of tables, each with potential and duration"
    )
    cycles: int = Field(1, ge=1, le=100_000, description="how often the list is executed")

    @model_validator(mode="after")
    def _sensible(self) -> "MultipleSteps":
        period_fits(self.period, min(step.duration for step in self.steps))
        return self

    @property
    def starts_at(self) -> float:
        return self.steps[0].potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        segments = tuple(self._hold(step.potential, step.duration) for step in self.steps)
        return (Block(phase=phase, segments=segments, repeat=self.cycles, pause="between-repeats"),)


class Chronocoulometry(DoubleStep):
    def blocks(self, phase: int) -> tuple[Block, ...]:
        first = self._hold(self.first_potential, self.first_duration, integrate=True)
        second = self._hold(self.second_potential, self.second_duration, integrate=True)
        return (Block(phase=phase, segments=(first, second)),)


class Coulometry(_Timed):
    potential: Potential = Field(description="potential of the electrolysis")
    longest: Duration = Field(gt=0, le=LONGEST, description="time after which the electrolysis ends anyway")
    end_charge: Charge | None = Field(None, gt=0, description="magnitude of the charge at which it is complete")
    end_share: Ratio | None = Field(
        None, gt=0, lt=1, description="share of the initial current below which it is complete"
    )

    @model_validator(mode="after")
    def _sensible(self) -> "Coulometry":
        period_fits(self.period, self.longest)
        if self.end_charge is None and self.end_share is None:
            raise ValueError("an electrolysis needs an end: give end_charge, end_share or both")
        return self

    @property
    def starts_at(self) -> float:
        return self.potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        share = () if self.end_share is None else (
            Until(quantity="share", below=self.end_share, persistence=3 * self.period, not_before=self.period),
        )  # fmt: skip
        step = self._hold(self.potential, self.longest, charge_until(self.end_charge) + share, integrate=True)
        return (Block(phase=phase, segments=(step,), pause="any-time"),)


_PROBE = "step into the limiting current of the redox probe"
_WIDE = 'lower = "1 uA"\nupper = "1 mA"\ninitial = "100 uA"'
_BEFORE = SETTLE.replace("duration", 'potential = "0.6 V"\nduration')
_TWO_STEPS = """
first_potential = "-0.1 V"
first_duration = "5 s"
second_potential = "0.6 V"
second_duration = "5 s"
period = "10 ms"
"""

CHRONOAMPEROMETRY = Technique(
    name="chronoamperometry",
    alias="CA",
    summary=(
        "The potential steps to a value at which the species reacts, and the current is recorded against time. At a"
        " flat electrode without stirring it falls with the square root of time (Cottrell equation)."
    ),
    parameters=Chronoamperometry,
    view=AGAINST_TIME,
    example=example(
        "step-check",
        "chronoamperometry",
        _PROBE,
        'potential = "-0.1 V"\nduration = "10 s"\nperiod = "10 ms"',
        before=_BEFORE,
        sample="redox-probe",
        ranging=_WIDE,
    ),
)
DOUBLE_STEP = Technique(
    name="double-step-chronoamperometry",
    alias="DSCA",
    summary=(
        "A step forward and a step back: what the first made, the second consumes. The ratio of the two currents tells"
        " whether the product stayed what it was."
    ),
    parameters=DoubleStep,
    view=AGAINST_TIME,
    example=example(
        "double-step-check",
        "double-step-chronoamperometry",
        _PROBE + " and back",
        _TWO_STEPS,
        before=_BEFORE,
        sample="redox-probe",
        ranging=_WIDE,
    ),
)
MULTIPLE_STEPS = Technique(
    name="multiple-step-chronoamperometry",
    alias="MSCA",
    summary="Any list of potentials, each held for its time, the whole list repeated if wanted.",
    parameters=MultipleSteps,
    view=AGAINST_TIME,
    example=example(
        "electrode-activation",
        "multiple-step-chronoamperometry",
        "activation of a carbon electrode before a series of samples",
        """
period = "20 ms"
cycles = 3

[[phases.steps]]
potential = "0.6 V"
duration = "1 s"

[[phases.steps]]
potential = "-0.1 V"
duration = "1 s"
""",
        before=_BEFORE,
        sample="redox-probe",
        ranging=_WIDE,
    ),
)
CHRONOCOULOMETRY = Technique(
    name="chronocoulometry",
    alias="CC",
    summary=(
        "A step forward and a step back, recorded as charge. Against the square root of time the charge of a diffusing"
        " species is a straight line (Anson); its intercept is the charge of the double layer and of what is adsorbed."
    ),
    parameters=Chronocoulometry,
    view=View("time", "charge"),
    example=example(
        "charge-check",
        "chronocoulometry",
        _PROBE + " and back",
        _TWO_STEPS,
        before=_BEFORE,
        sample="redox-probe",
        ranging=_WIDE,
    ),
)
COULOMETRY = Technique(
    name="controlled-potential-coulometry",
    alias="CPC",
    summary=(
        "An electrolysis at constant potential with stirring, until a given charge has passed or the current has fallen"
        " to a share of its initial value; the charge gives the amount of substance (Faraday's law)."
    ),
    parameters=Coulometry,
    view=View("time", "charge"),
    example=example(
        "thin-cell-electrolysis",
        "controlled-potential-coulometry",
        "exhaustive reduction of the redox probe in a thin-layer cell",
        'potential = "-0.1 V"\nlongest = "60 s"\nperiod = "50 ms"\nend_share = "2 %"',
        before=_BEFORE,
        sample="thin-layer",
        ranging=_WIDE,
    ),
)
