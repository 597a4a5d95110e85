"""Sweeps, executed as true linear ramps: linear sweep and cyclic voltammetry."""

from itertools import pairwise

from pydantic import Field, model_validator

from luggin.protocol.program import Block, Ramp, Until
from luggin.protocol.quantity import Current, Potential, ScanRate, show
from luggin.protocol.techniques.base import SETTLE, Measurement, Technique, Versus, example


class Sweep(Measurement):
    """What sweeps share.  `step` is the distance in potential between two stored points."""

    initial_potential: Potential = Field(description="potential at which the sweep starts")
    scan_rate: ScanRate = Field(gt=0, description="rate of change of the potential")
    step: Potential = Field(gt=0, description="change of potential from one stored point to the next")
    versus: Versus = Field("reference", description="what the potentials are given against")

    @property
    def starts_at(self) -> float:
        return self.initial_potential

    @property
    def relative(self) -> bool:
        return self.versus == "open-circuit"

    def _ramps(self, *corners: float, until: tuple[Until, ...] = ()) -> tuple[Ramp, ...]:
        return tuple(
            Ramp(
                start=a,
                end=b,
                rate=self.scan_rate,
                period=self.step / self.scan_rate,
                until=until,
                versus_open_circuit=self.relative,
            )
            for a, b in pairwise(corners)
            if a != b
        )

    def _check_step(self, span: float) -> None:
        if self.step > span:
            raise ValueError(
                f"step {show(self.step, 'V')} is larger than the sweep of {show(span, 'V')}; make it smaller"
            )


class LinearSweep(Sweep):
    final_potential: Potential = Field(description="potential at which the sweep ends")
    end_current: Current | None = Field(
        None, gt=0, description="magnitude of the current at which the sweep ends early"
    )

    @model_validator(mode="after")
    def _sensible(self) -> "LinearSweep":
        if self.initial_potential == self.final_potential:
            raise ValueError("final_potential equals initial_potential; a sweep needs two different potentials")
        self._check_step(abs(self.final_potential - self.initial_potential))
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        until = () if self.end_current is None else (Until(quantity="current-magnitude", above=self.end_current),)
        return (Block(phase=phase, segments=self._ramps(self.initial_potential, self.final_potential, until=until)),)


class CyclicVoltammetry(Sweep):
    first_switching_potential: Potential = Field(description="potential at which the first sweep turns round")
    second_switching_potential: Potential = Field(description="potential at which the second sweep turns round")
    final_potential: Potential | None = Field(
        None, description="potential at which the last cycle ends; without it the initial potential"
    )
    cycles: int = Field(1, ge=1, le=100_000, description="number of cycles")

    @model_validator(mode="after")
    def _sensible(self) -> "CyclicVoltammetry":
        first, second = self.first_switching_potential, self.second_switching_potential
        if first == second:
            raise ValueError("the two switching potentials are equal; a cycle needs two different ones")
        if not min(first, second) <= self.initial_potential <= max(first, second):
            raise ValueError(
                f"initial_potential {show(self.initial_potential, 'V')} lies outside the switching potentials; "
                f"choose one from {show(min(first, second), 'V')} to {show(max(first, second), 'V')}"
            )
        self._check_step(abs(first - second))
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        start, first, second = self.initial_potential, self.first_switching_potential, self.second_switching_potential
        cycle = self._ramps(start, first, second, start)
        last = self._ramps(start, start if self.final_potential is None else self.final_potential)
        cycles = Block(phase=phase, segments=cycle, repeat=self.cycles, pause="between-repeats")
        return (cycles, Block(phase=phase, segments=last)) if last else (cycles,)


LINEAR_SWEEP = Technique(
    name="linear-sweep-voltammetry",
    alias="LSV",
    summary=(
        "The potential is swept once, at a constant rate, and the current is recorded. A species that reacts at the"
        " electrode gives a wave or a peak near its formal potential; its height grows with concentration."
    ),
    parameters=LinearSweep,
    example=example(
        "paracetamol-sweep",
        "linear-sweep-voltammetry",
        "effluent of a treatment column, oxidation of paracetamol",
        """
initial_potential = "0 V"
final_potential = "0.9 V"
scan_rate = "100 mV/s"
step = "2 mV"
""",
        before=SETTLE,
    ),
)

CYCLIC = Technique(
    name="cyclic-voltammetry",
    alias="CV",
    summary=(
        "The potential is swept to a first switching potential, back to a second one and to the start again, once or"
        " several times. The pair of peaks tells whether a reaction is reversible and whether an electrode is good."
    ),
    parameters=CyclicVoltammetry,
    example=example(
        "electrode-check",
        "cyclic-voltammetry",
        "glassy carbon disk in 1 mM hexacyanoferrate(III), 0.5 M KCl",
        """
initial_potential = "0.6 V"
first_switching_potential = "-0.1 V"
second_switching_potential = "0.6 V"
scan_rate = "100 mV/s"
step = "1 mV"
cycles = 2
""",
        before=SETTLE,
        sample="redox-probe",
        after='[limits]\npotential = { low = "-0.3 V", high = "0.8 V" }',
    ),
)
