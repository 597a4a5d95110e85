"""Staircase and pulse voltammetry: all are pulse trains on a staircase, with explicit sampling windows."""

import math

from pydantic import Field, model_validator

from luggin.protocol.program import Block, Pulse, Pulses
from luggin.protocol.quantity import Duration, Frequency, Potential, Ratio, show
from luggin.protocol.techniques.base import NET, NET_AND_BOTH, SETTLE, Measurement, Technique, Versus, example


class Staircase(Measurement):
    """What all of them share: a staircase from the initial to the final potential."""

    initial_potential: Potential = Field(description="potential of the first stair")
    final_potential: Potential = Field(description="potential that the last stair does not pass")
    step: Potential = Field(gt=0, description="height of a stair")
    sampling_window: Duration = Field(gt=0, description="time over which the current is averaged for a sample")
    versus: Versus = Field("reference", description="what the potentials are given against")

    @model_validator(mode="after")
    def _has_stairs(self) -> "Staircase":
        span = abs(self.final_potential - self.initial_potential)
        if span == 0:
            raise ValueError("final_potential equals initial_potential; a scan needs two different potentials")
        if self.step > span:
            raise ValueError(f"step {show(self.step, 'V')} is larger than the scan of {show(span, 'V')}; shrink it")
        return self

    @property
    def starts_at(self) -> float:
        return self.initial_potential

    @property
    def relative(self) -> bool:
        return self.versus == "open-circuit"

    @property
    def _direction(self) -> float:
        return math.copysign(1.0, self.final_potential - self.initial_potential)

    def _train(self, phase: int, pulses: tuple[Pulse, ...], *, difference: bool) -> tuple[Block, ...]:
        span = abs(self.final_potential - self.initial_potential)
        train = Pulses(
            start=self.initial_potential,
            step=self._direction * self.step,
            count=math.floor(span / self.step + 1e-9) + 1,
            pulses=pulses,
            period=sum(pulse.duration for pulse in pulses),
            difference=difference,
            versus_open_circuit=self.relative,
        )
        return (Block(phase=phase, segments=(train,)),)

    def _window_fits(self, name: str, duration: float) -> None:
        if self.sampling_window > duration:
            raise ValueError(
                f"sampling_window {show(self.sampling_window, 's')} is longer than {name} {show(duration, 's')}; "
                "shorten it"
            )


def _at_end(duration: float, window: float) -> dict[str, float]:
    return {"duration": duration, "sample_from": duration - window, "sample_to": duration}


class StaircaseVoltammetry(Staircase):
    period: Duration = Field(gt=0, description="duration of a stair")
    sampling_fraction: Ratio = Field(
        0.25, gt=0, le=1, description="where in the stair the sampling window ends; a quarter comes near a linear ramp"
    )
    return_sweep: bool = Field(False, description="whether the staircase goes back to the initial potential")

    @model_validator(mode="after")
    def _fits(self) -> "StaircaseVoltammetry":
        self._window_fits("the part of the stair before sampling_fraction,", self.period * self.sampling_fraction)
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        end = self.period * self.sampling_fraction
        stair = Pulse(
            duration=self.period, record="forward", sample_from=max(0.0, end - self.sampling_window), sample_to=end
        )
        out = self._train(phase, (stair,), difference=False)
        if not self.return_sweep:
            return out
        there = out[0].segments[0]
        assert isinstance(there, Pulses)
        top = there.start + (there.count - 1) * there.step
        back = there.model_copy(update={"start": top - there.step, "step": -there.step, "count": there.count - 1})
        return (Block(phase=phase, segments=(there, back)),)


class NormalPulse(Staircase):
    period: Duration = Field(gt=0, description="time from one pulse to the next")
    pulse_width: Duration = Field(gt=0, description="duration of a pulse")

    @model_validator(mode="after")
    def _fits(self) -> "NormalPulse":
        _width_fits(self.pulse_width, self.period)
        self._window_fits("pulse_width", self.pulse_width)
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        wait = Pulse(duration=self.period - self.pulse_width, from_start=True)
        pulse = Pulse(record="forward", **_at_end(self.pulse_width, self.sampling_window))
        return self._train(phase, (wait, pulse), difference=False)


class DifferentialPulse(Staircase):
    period: Duration = Field(gt=0, description="time from one pulse to the next, the duration of a stair")
    pulse_width: Duration = Field(gt=0, description="duration of a pulse")
    pulse_amplitude: Potential = Field(gt=0, description="height of a pulse above its stair, in the scan's direction")

    @model_validator(mode="after")
    def _fits(self) -> "DifferentialPulse":
        _width_fits(self.pulse_width, self.period)
        self._window_fits("pulse_width", self.pulse_width)
        self._window_fits("the time between pulses,", self.period - self.pulse_width)
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        before = Pulse(record="reverse", **_at_end(self.period - self.pulse_width, self.sampling_window))
        offset = self._direction * self.pulse_amplitude
        pulse = Pulse(offset=offset, record="forward", **_at_end(self.pulse_width, self.sampling_window))
        return self._train(phase, (before, pulse), difference=True)


class SquareWave(Staircase):
    frequency: Frequency = Field(gt=0, description="square waves, and stairs, per second")
    amplitude: Potential = Field(gt=0, description="half of the peak-to-peak height of the square wave")

    @model_validator(mode="after")
    def _fits(self) -> "SquareWave":
        self._window_fits("half a period of the square wave,", 0.5 / self.frequency)
        return self

    def blocks(self, phase: int) -> tuple[Block, ...]:
        half, offset = 0.5 / self.frequency, self._direction * self.amplitude
        forward = Pulse(offset=offset, record="forward", **_at_end(half, self.sampling_window))
        reverse = Pulse(offset=-offset, record="reverse", **_at_end(half, self.sampling_window))
        return self._train(phase, (forward, reverse), difference=True)


def _width_fits(width: float, period: float) -> None:
    if width >= period:
        raise ValueError(f"pulse_width {show(width, 's')} must be shorter than period {show(period, 's')}; shorten it")


DPV_EXAMPLE = """
initial_potential = "0.1 V"
final_potential = "0.7 V"
step = "5 mV"
pulse_amplitude = "50 mV"
pulse_width = "50 ms"
period = "200 ms"
sampling_window = "20 ms"
"""
SWV_EXAMPLE = """
initial_potential = "0.1 V"
final_potential = "0.7 V"
step = "4 mV"
amplitude = "25 mV"
frequency = "15 Hz"
sampling_window = "5 ms"
"""

STAIRCASE = Technique(
    name="staircase-voltammetry",
    alias="SCV",
    summary=(
        "The potential climbs a staircase and the current is sampled once on each stair. Sampled late, the charging"
        " current has died away; sampled at about a quarter of the stair, the curve comes near that of a linear ramp."
    ),
    parameters=StaircaseVoltammetry,
    example=example(
        "staircase-check",
        "staircase-voltammetry",
        "glassy carbon disk in 1 mM hexacyanoferrate(III), 0.5 M KCl",
        """
initial_potential = "0.6 V"
final_potential = "-0.1 V"
step = "5 mV"
period = "50 ms"
sampling_fraction = 0.25
sampling_window = "1 ms"
return_sweep = true
""",
        before=SETTLE,
        sample="redox-probe",
        ranging='fixed = "100 uA"',
    ),
)
NORMAL_PULSE = Technique(
    name="normal-pulse-voltammetry",
    alias="NPV",
    summary=(
        "Pulses of growing height start from a potential at which nothing reacts, and the current is sampled at the end"
        " of each. The electrode rests between pulses, so that a wave with a plateau results."
    ),
    parameters=NormalPulse,
    example=example(
        "probe-pulses",
        "normal-pulse-voltammetry",
        "glassy carbon disk in 1 mM hexacyanoferrate(III), 0.5 M KCl",
        """
initial_potential = "0.6 V"
final_potential = "-0.1 V"
step = "10 mV"
pulse_width = "50 ms"
period = "1 s"
sampling_window = "2 ms"
""",
        before=SETTLE,
        sample="redox-probe",
        ranging='fixed = "100 uA"',
    ),
)
DIFFERENTIAL_PULSE = Technique(
    name="differential-pulse-voltammetry",
    alias="DPV",
    summary=(
        "Small pulses ride on a slow staircase; the current before each pulse is subtracted from the current at its"
        " end. Charging currents cancel, and a species gives a peak whose height is proportional to its concentration."
    ),
    parameters=DifferentialPulse,
    view=NET,
    example=example(
        "paracetamol-dpv",
        "differential-pulse-voltammetry",
        "paracetamol in the effluent of a treatment column",
        DPV_EXAMPLE,
        before=SETTLE,
    ),
)
SQUARE_WAVE = Technique(
    name="square-wave-voltammetry",
    alias="SWV",
    summary=(
        "A square wave rides on a staircase, one wave a stair; the currents at the end of its two halves are"
        " subtracted. It is quick and sensitive; amplitude means half of the peak-to-peak height."
    ),
    parameters=SquareWave,
    view=NET_AND_BOTH,
    example=example(
        "paracetamol-swv",
        "square-wave-voltammetry",
        "paracetamol in the effluent of a treatment column",
        SWV_EXAMPLE,
        before=SETTLE,
    ),
)
