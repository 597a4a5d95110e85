"""Current against time for long: amperometric monitoring and pulsed amperometric detection."""

from pydantic import Field, model_validator

from luggin.protocol.program import LONGEST, Block, Hold, Outputs, Pulse, Pulses
from luggin.protocol.quantity import Duration, Frequency, Potential, show
from luggin.protocol.techniques.base import AGAINST_TIME, Measurement, Technique, example
from luggin.protocol.techniques.steps import period_fits


class Monitoring(Measurement):
    potential: Potential = Field(description="potential that is held")
    duration: Duration = Field(gt=0, le=LONGEST, description="how long it is held, up to a year")
    period: Duration = Field(
        gt=0, description="time from one stored point to the next; each keeps mean, minimum and maximum of its period"
    )
    stirrer: bool | None = Field(None, description="whether the stirrer runs meanwhile")
    rotation_rate: Frequency | None = Field(None, ge=0, description="rotation rate of a rotating electrode")

    @model_validator(mode="after")
    def _sensible(self) -> "Monitoring":
        period_fits(self.period, self.duration)
        return self

    @property
    def starts_at(self) -> float:
        return self.potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        hold = Hold(
            level=self.potential,
            duration=self.duration,
            period=self.period,
            statistics=True,
            outputs=Outputs(stirrer=self.stirrer, rotation_rate=self.rotation_rate),
        )
        return (Block(phase=phase, segments=(hold,), pause="any-time"),)


class PulsedDetection(Measurement):
    detection_potential: Potential = Field(description="potential at which the species is measured")
    detection_time: Duration = Field(gt=0, description="how long it is applied")
    sampling_window: Duration = Field(gt=0, description="time at its end over which the current is averaged")
    cleaning_potential: Potential = Field(description="potential that burns the surface clean")
    cleaning_time: Duration = Field(gt=0, description="how long it is applied")
    activation_potential: Potential = Field(description="potential that restores the surface")
    activation_time: Duration = Field(gt=0, description="how long it is applied")
    repeats: int = Field(ge=1, le=10_000_000, description="number of points, one for each round")
    stirrer: bool | None = Field(None, description="whether the stirrer runs meanwhile")
    rotation_rate: Frequency | None = Field(None, ge=0, description="rotation rate of a rotating electrode")

    @model_validator(mode="after")
    def _sensible(self) -> "PulsedDetection":
        if self.sampling_window > self.detection_time:
            raise ValueError(
                f"sampling_window {show(self.sampling_window, 's')} is longer than detection_time "
                f"{show(self.detection_time, 's')}; shorten it"
            )
        return self

    @property
    def starts_at(self) -> float:
        return self.detection_potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        base = self.detection_potential
        train = Pulses(
            start=base,
            step=0.0,
            count=self.repeats,
            pulses=(
                Pulse(
                    duration=self.detection_time,
                    record="forward",
                    sample_from=self.detection_time - self.sampling_window,
                    sample_to=self.detection_time,
                ),
                Pulse(duration=self.cleaning_time, offset=self.cleaning_potential - base),
                Pulse(duration=self.activation_time, offset=self.activation_potential - base),
            ),
            period=self.detection_time + self.cleaning_time + self.activation_time,
            outputs=Outputs(stirrer=self.stirrer, rotation_rate=self.rotation_rate),
        )
        return (Block(phase=phase, segments=(train,)),)


MONITORING = Technique(
    name="amperometric-monitoring",
    alias="AM",
    summary=(
        "One potential for hours or days. The instrument samples quickly and keeps, of each period, the mean, the"
        " smallest and the largest current, so that short events are not lost in a slow record."
    ),
    parameters=Monitoring,
    view=AGAINST_TIME,
    example=example(
        "outlet-watch",
        "amperometric-monitoring",
        "watching the outlet of a treatment column for paracetamol breaking through",
        'potential = "0.7 V"\nduration = "2 min"\nperiod = "1 s"\nstirrer = true',
        after='[dead_man]\ntimeout = "1 min"',
    ),
)
PULSED_DETECTION = Technique(
    name="pulsed-amperometric-detection",
    alias="PAD",
    summary=(
        "Measure, clean, restore: three potentials in turn, one point a round. It keeps an electrode alive in samples"
        " that foul it, for instance behind a separation column."
    ),
    parameters=PulsedDetection,
    view=AGAINST_TIME,
    example=example(
        "outlet-pad",
        "pulsed-amperometric-detection",
        "outlet of a treatment column, samples that foul the electrode",
        """
detection_potential = "0.6 V"
detection_time = "300 ms"
sampling_window = "100 ms"
cleaning_potential = "0.9 V"
cleaning_time = "100 ms"
activation_potential = "-0.1 V"
activation_time = "100 ms"
repeats = 60
stirrer = true
""",
    ),
)
