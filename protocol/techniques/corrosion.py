"""Corrosion: potentials are given versus the open-circuit potential, which must have settled and be plausible."""

from pydantic import Field, model_validator

from luggin.protocol.program import LONGEST, Block, Couple, Ramp, Until
from luggin.protocol.quantity import Current, Duration, Potential, ScanRate, show
from luggin.protocol.techniques.base import AGAINST_TIME, PLAUSIBLE, REST, Measurement, Technique, View, example
from luggin.protocol.techniques.steps import period_fits

_RANGING = 'lower = "1 uA"\nupper = "10 mA"\ninitial = "10 uA"'
_COUPON = {"electrode": "coupon-7", "area": "1 cm2", "sample": "process-water", "ranging": _RANGING}


class Polarisation(Measurement):
    """A sweep between two potentials, both versus open circuit."""

    initial_potential: Potential = Field(description="potential versus open circuit at which the sweep starts")
    final_potential: Potential = Field(description="potential versus open circuit at which it ends")
    scan_rate: ScanRate = Field(gt=0, description="rate of change of the potential")
    step: Potential = Field(gt=0, description="change of potential from one stored point to the next")

    @model_validator(mode="after")
    def _sensible(self) -> "Polarisation":
        span = abs(self.final_potential - self.initial_potential)
        if not 0 < self.step <= span:
            raise ValueError(f"step {show(self.step, 'V')} is larger than the sweep of {show(span, 'V')}; shrink it")
        return self

    @property
    def starts_at(self) -> float:
        return self.initial_potential

    @property
    def relative(self) -> bool:
        return True

    def blocks(self, phase: int) -> tuple[Block, ...]:
        sweep = Ramp(
            start=self.initial_potential,
            end=self.final_potential,
            rate=self.scan_rate,
            period=self.step / self.scan_rate,
            versus_open_circuit=True,
        )
        return (Block(phase=phase, segments=(sweep,)),)


class CyclicPolarisation(Measurement):
    initial_potential: Potential = Field(description="potential versus open circuit at which the sweep starts")
    scan_rate: ScanRate = Field(gt=0, description="rate of change of the potential")
    step: Potential = Field(gt=0, description="change of potential from one stored point to the next")
    reversal_current: Current = Field(gt=0, description="anodic current at which the sweep turns back")
    reversal_potential: Potential = Field(
        description="potential, against the reference, at which it turns at the latest"
    )
    final_potential: Potential = Field(description="potential versus open circuit at which the sweep back ends")

    @property
    def starts_at(self) -> float:
        return self.initial_potential

    @property
    def relative(self) -> bool:
        return True

    def blocks(self, phase: int) -> tuple[Block, ...]:
        period = self.step / self.scan_rate
        start = Ramp(  # as short as a sweep can be: it sets the relative start from which the absolute one goes on
            start=self.initial_potential,
            end=self.initial_potential + self.step,
            rate=self.scan_rate,
            period=period,
            versus_open_circuit=True,
        )
        up = Ramp(
            start=None,
            end=self.reversal_potential,
            rate=self.scan_rate,
            period=period,
            until=(Until(quantity="current", above=self.reversal_current, persistence=2 * period),),
        )
        back = Ramp(start=None, end=self.final_potential, rate=self.scan_rate, period=period, versus_open_circuit=True)
        return (Block(phase=phase, segments=(start, up, back)),)


class ZeroResistance(Measurement):
    duration: Duration = Field(gt=0, le=LONGEST, description="how long the two electrodes are coupled")
    period: Duration = Field(gt=0, description="time from one stored point to the next")

    @model_validator(mode="after")
    def _sensible(self) -> "ZeroResistance":
        period_fits(self.period, self.duration)
        return self

    @property
    def starts_at(self) -> None:
        return None

    def blocks(self, phase: int) -> tuple[Block, ...]:
        couple = Couple(duration=self.duration, period=self.period)
        return (Block(phase=phase, segments=(couple,), pause="any-time"),)


POLARISATION_RESISTANCE = Technique(
    name="polarisation-resistance",
    alias="LPR",
    summary=(
        "A slow sweep of some ten millivolts about the open-circuit potential. The slope is the polarisation"
        " resistance, from which the corrosion rate follows (ASTM G59)."
    ),
    parameters=Polarisation,
    needs=("rest",),
    example=example(
        "coupon-resistance",
        "polarisation-resistance",
        "steel coupon from the pipework of a treatment column",
        'initial_potential = "-20 mV"\nfinal_potential = "20 mV"\nscan_rate = "1 mV/s"\nstep = "0.5 mV"',
        before=REST + "\n\n" + PLAUSIBLE,
        **_COUPON,
    ),
)
TAFEL = Technique(
    name="tafel-polarisation",
    alias="Tafel",
    summary=(
        "A sweep of a few hundred millivolts about the open-circuit potential. On a logarithmic scale the two branches"
        " become straight lines; where they meet lies the corrosion current."
    ),
    parameters=Polarisation,
    needs=("rest",),
    view=View(style="magnitude"),
    example=example(
        "coupon-tafel",
        "tafel-polarisation",
        "steel coupon from the pipework of a treatment column",
        'initial_potential = "-250 mV"\nfinal_potential = "250 mV"\nscan_rate = "10 mV/s"\nstep = "2 mV"',
        before=REST + "\n\n" + PLAUSIBLE,
        **_COUPON,
    ),
)
CYCLIC_POLARISATION = Technique(
    name="cyclic-polarisation",
    alias="CPP",
    summary=(
        "An anodic sweep from below the open-circuit potential until the current passes a threshold, then back: does"
        " the surface pit, and does it heal (ASTM G61)?"
    ),
    parameters=CyclicPolarisation,
    needs=("rest",),
    view=View(style="magnitude"),
    example=example(
        "coupon-pitting",
        "cyclic-polarisation",
        "passive steel coupon from the pipework of a treatment column",
        """
initial_potential = "-50 mV"
scan_rate = "20 mV/s"
step = "2 mV"
reversal_current = "1 mA"
reversal_potential = "1.2 V"
final_potential = "0 V"
""",
        before=REST + "\n\n" + PLAUSIBLE,
        **_COUPON,
    ),
)
ZERO_RESISTANCE = Technique(
    name="zero-resistance-ammetry",
    alias="ZRA",
    summary=(
        "Two electrodes are connected as if by a wire, and the current between them and their common potential are"
        " recorded: galvanic corrosion and its noise."
    ),
    parameters=ZeroResistance,
    view=AGAINST_TIME,
    example=example(
        "coupon-couple",
        "zero-resistance-ammetry",
        "steel coupon coupled to a second one from the pipework of a treatment column",
        'duration = "60 s"\nperiod = "0.2 s"',
        **_COUPON,
    ),
)
