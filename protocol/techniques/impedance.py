"""Impedance: a single sine, frequency by frequency, under potential or current control; and what follows from it."""

import math
from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.program import LONGEST, Block, Control, Hold, Sine
from luggin.protocol.quantity import Current, Duration, Frequency, Potential
from luggin.protocol.segments import MOST_FREQUENCIES
from luggin.protocol.techniques.base import NYQUIST, Measurement, Technique, Versus, View, example

_PEAK = {"rms": math.sqrt(2.0), "peak": 1.0}


def spaced(high: float, low: float, per_decade: int) -> tuple[float, ...]:
    """Frequencies from high to low, evenly spaced on a logarithmic scale, both ends included."""
    count = max(round(math.log10(high / low) * per_decade), 1)
    return tuple(high * (low / high) ** (index / count) for index in range(count + 1))


class _Impedance(Measurement):
    amplitude_as: Literal["rms", "peak"] = Field("rms", description="what amplitude means")
    settle_cycles: int = Field(2, ge=0, le=1000, description="cycles of each frequency that pass before the evaluation")
    measure_cycles: int = Field(3, ge=1, le=1000, description="cycles of each frequency that are evaluated")
    measure_time: Duration = Field(0.1, ge=0, le=3600, description="the evaluation lasts at least this long")

    def _sine(self, control: Control, bias: float, amplitude: float, frequencies: tuple[float, ...]) -> Sine:
        return Sine(
            period=None,
            control=control,
            bias=bias,
            amplitude=amplitude * _PEAK[self.amplitude_as],
            frequencies=frequencies,
            settle_cycles=self.settle_cycles,
            measure_cycles=self.measure_cycles,
            measure_seconds=self.measure_time,
            versus_open_circuit=self.relative,
            # A range change under current control with the cell closed would be a jump of current.
            autorange=control == "potential",
        )


class _AtPotential(_Impedance):
    """A sine about one potential."""

    potential: Potential = Field(description="potential about which the sine swings")
    amplitude: Potential = Field(gt=0, description="amplitude of the potential")
    versus: Versus = Field("reference", description="what the potential is given against")

    @property
    def starts_at(self) -> float:
        return self.potential

    @property
    def relative(self) -> bool:
        return self.versus == "open-circuit"

    def _swing(self, *frequencies: float) -> Sine:
        return self._sine("potential", self.potential, self.amplitude, frequencies)


class _Spectrum(_Impedance):
    highest_frequency: Frequency = Field(gt=0, description="frequency at which the spectrum begins")
    lowest_frequency: Frequency = Field(gt=0, description="frequency at which it ends")
    per_decade: int = Field(8, ge=1, le=50, description="frequencies per decade")

    @model_validator(mode="after")
    def _sensible(self) -> "_Spectrum":
        if self.lowest_frequency >= self.highest_frequency:
            raise ValueError("lowest_frequency must lie below highest_frequency; exchange them")
        if len(self._frequencies()) > MOST_FREQUENCIES:
            raise ValueError(f"more than {MOST_FREQUENCIES} frequencies; lower per_decade or narrow the spectrum")
        return self

    def _frequencies(self) -> tuple[float, ...]:
        return spaced(self.highest_frequency, self.lowest_frequency, self.per_decade)


class PotentiostaticImpedance(_Spectrum, _AtPotential):
    def blocks(self, phase: int) -> tuple[Block, ...]:
        return (Block(phase=phase, segments=(self._swing(*self._frequencies()),), pause="between-segments"),)


class GalvanostaticImpedance(_Spectrum):
    current: Current = Field(description="current about which the sine swings, anodic positive")
    amplitude: Current = Field(gt=0, description="amplitude of the current")

    @property
    def starts_at(self) -> None:
        return None

    def blocks(self, phase: int) -> tuple[Block, ...]:
        zero = Hold(control="current", level=0.0, duration=1.0, period=None, autorange=False)
        sine = self._sine("current", self.current, self.amplitude, self._frequencies())
        return (Block(phase=phase, segments=(zero, sine), pause="between-segments"),)


class ImpedanceAgainstTime(_AtPotential):
    frequency: Frequency = Field(gt=0, description="the one frequency")
    interval: Duration = Field(gt=0, le=LONGEST, description="time at the potential between two measurements")
    repeats: int = Field(ge=1, le=1_000_000, description="number of measurements")

    def blocks(self, phase: int) -> tuple[Block, ...]:
        wait = Hold(level=self.potential, duration=self.interval, period=None, versus_open_circuit=self.relative)
        segments = (self._swing(self.frequency), wait)
        return (Block(phase=phase, segments=segments, repeat=self.repeats, pause="between-repeats"),)


class ImpedanceAgainstPotential(_Impedance):
    initial_potential: Potential = Field(description="first potential")
    final_potential: Potential = Field(description="last potential")
    step: Potential = Field(gt=0, description="distance between two potentials")
    amplitude: Potential = Field(gt=0, description="amplitude of the potential")
    frequency: Frequency = Field(gt=0, description="the one frequency")
    settle_time: Duration = Field(1.0, gt=0, le=3600, description="time at each potential before its measurement")

    @model_validator(mode="after")
    def _sensible(self) -> "ImpedanceAgainstPotential":
        count = abs(self.final_potential - self.initial_potential) / self.step
        if not 1 - 1e-9 <= count <= 100:
            raise ValueError("step must divide the window into 1 to 100 parts; change it")
        return self

    @property
    def starts_at(self) -> float:
        return self.initial_potential

    def blocks(self, phase: int) -> tuple[Block, ...]:
        span = self.final_potential - self.initial_potential
        count = math.floor(abs(span) / self.step + 1e-9)
        levels = [self.initial_potential + math.copysign(self.step, span) * index for index in range(count + 1)]
        segments: list[Hold | Sine] = []
        for level in levels:
            segments.append(Hold(level=level, duration=self.settle_time, period=None))
            segments.append(self._sine("potential", level, self.amplitude, (self.frequency,)))
        return (Block(phase=phase, segments=tuple(segments), pause="between-segments"),)


class UncompensatedResistance(_AtPotential):
    amplitude: Potential = Field(0.01, gt=0, description="amplitude of the potential")
    frequency: Frequency = Field(10e3, gt=0, description="frequency high enough to short the double layer")

    def blocks(self, phase: int) -> tuple[Block, ...]:
        return (Block(phase=phase, segments=(self._swing(self.frequency),)),)


_BEFORE = '[[phases]]\nphase = "settle"\nduration = "5 s"'

IMPEDANCE = Technique(
    name="impedance-spectroscopy",
    alias="EIS",
    summary=(
        "A small sine of potential is applied, frequency by frequency from high to low, and the impedance is reported."
        " Resistances, double layer, charge transfer and diffusion show at their own frequencies."
    ),
    parameters=PotentiostaticImpedance,
    view=NYQUIST,
    example=example(
        "probe-impedance",
        "impedance-spectroscopy",
        "charge transfer and diffusion of the redox probe",
        """
potential = "0.23 V"
amplitude = "5 mV"
amplitude_as = "rms"
highest_frequency = "10 kHz"
lowest_frequency = "1 Hz"
per_decade = 6
""",
        before=_BEFORE,
        sample="redox-probe",
    ),
)
GALVANOSTATIC_IMPEDANCE = Technique(
    name="galvanostatic-impedance-spectroscopy",
    alias="galvanostatic-EIS",
    summary=(
        "The same with a small sine of current about a constant current, for cells of low impedance or of drifting"
        " potential."
    ),
    parameters=GalvanostaticImpedance,
    view=NYQUIST,
    example=example(
        "dummy-impedance",
        "galvanostatic-impedance-spectroscopy",
        "the dummy cell that comes before any sample",
        """
current = "0 A"
amplitude = "1 uA"
highest_frequency = "1 kHz"
lowest_frequency = "1 Hz"
per_decade = 6
""",
        sample="dummy-cell",
        ranging='fixed = "10 uA"',
    ),
)
IMPEDANCE_TIME = Technique(
    name="impedance-against-time",
    alias="Z(t)",
    summary="The impedance at one frequency again and again: how a film grows or an electrode ages.",
    parameters=ImpedanceAgainstTime,
    view=View("time", "impedance_real"),
    example=example(
        "film-growth",
        "impedance-against-time",
        "an electrode fouling in the effluent of a treatment column",
        'potential = "0.2 V"\namplitude = "5 mV"\nfrequency = "100 Hz"\ninterval = "1 s"\nrepeats = 20',
        before=_BEFORE,
    ),
)
IMPEDANCE_POTENTIAL = Technique(
    name="impedance-against-potential",
    alias="Z(E)",
    summary=(
        "The impedance at one frequency, potential by potential: the capacity of the double layer or of a semiconductor"
        " (Mott-Schottky plot)."
    ),
    parameters=ImpedanceAgainstPotential,
    view=View("applied_potential", "impedance_imaginary", "nyquist"),
    example=example(
        "double-layer-capacity",
        "impedance-against-potential",
        "double layer of a glassy carbon electrode in the supporting electrolyte",
        """
initial_potential = "-0.2 V"
final_potential = "0.3 V"
step = "50 mV"
amplitude = "5 mV"
frequency = "200 Hz"
settle_time = "0.5 s"
""",
        before=_BEFORE,
    ),
)
RESISTANCE = Technique(
    name="uncompensated-resistance",
    alias="Ru",
    summary=(
        "The impedance at one high frequency, where the double layer is a short circuit: what remains is the resistance"
        " between reference and working electrode. It is corrected for afterwards, in the evaluation."
    ),
    parameters=UncompensatedResistance,
    view=NYQUIST,
    example=example(
        "solution-resistance",
        "uncompensated-resistance",
        "resistance of the solution before a series of samples",
        'potential = "0.2 V"\namplitude = "10 mV"\nfrequency = "10 kHz"',
        before=_BEFORE,
        sample="redox-probe",
        ranging='lower = "1 uA"\nupper = "1 mA"\ninitial = "10 uA"',
    ),
)
