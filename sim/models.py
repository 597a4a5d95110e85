"""The instruments that can be simulated: their ranges, windows and noise.  All invented."""

from dataclasses import dataclass

from luggin.protocol.capability import Capability, Identity, Output
from luggin.protocol.program import Control

MAKER = "luggin"
FIRMWARE = "1.0"
COLUMNS = (
    "time",
    "phase",
    "cycle",
    "channel",
    "applied_potential",
    "potential",
    "current",
    "current_range",
    "cell_voltage",
    "charge",
    "forward_current",
    "reverse_current",
    "current_minimum",
    "current_maximum",
    "frequency",
    "impedance_real",
    "impedance_imaginary",
    "temperature",
    "flags",
)  # fmt: skip


@dataclass(frozen=True)
class Range:
    """A current range: full scale (A), noise density (A per square root of Hz) and the time (s) in which it settles
    after a change of range or a step of the current."""

    full_scale: float
    noise: float
    settling: float


@dataclass(frozen=True)
class Model:
    """What tells one simulated instrument from another.

    `counts` is the number of converter steps from zero to full scale, of current and of potential alike.  `hum` is
    what the mains couples into an average shorter than its cycle, as a share of full scale.
    """

    name: str
    controls: tuple[Control, ...]
    ranges: tuple[Range, ...]
    window: float
    compliance: float
    counts: int
    potential_noise: float
    hum: float
    fastest_period: float
    steepest_sweep: float
    streamed_rate: float
    buffer: int
    outputs: tuple[Output, ...]
    highest_rotation_rate: float | None
    frequencies: tuple[float, float]
    """Lowest and highest at which it measures impedance (Hz)."""
    couples: bool
    """Whether it can join two electrodes as by a wire."""
    battery: float | None
    """Seconds that a full battery lasts; None for an instrument on the mains."""

    def capability(self, serial: str) -> Capability:
        return Capability(
            identity=Identity(maker=MAKER, model=self.name, serial=serial, firmware=FIRMWARE),
            segments=("open", "hold", "ramp", "pulses", "sine", *(("couple",) if self.couples else ())),
            controls=self.controls,
            potential_low=-self.window,
            potential_high=self.window,
            compliance=self.compliance,
            current_ranges=tuple(each.full_scale for each in self.ranges),
            settling_times=tuple(each.settling for each in self.ranges),
            fastest_period=self.fastest_period,
            steepest_sweep=self.steepest_sweep,
            streamed_rate=self.streamed_rate,
            buffer=self.buffer,
            columns=COLUMNS,
            outputs=self.outputs,
            highest_rotation_rate=self.highest_rotation_rate,
            lowest_frequency=self.frequencies[0],
            highest_frequency=self.frequencies[1],
            floating=True,
            dead_man=True,
            largest_program=64 * 1024,
        )


def _decades(lowest: int, highest: int, noise: float, slowest: float) -> tuple[Range, ...]:
    """One range a decade; the smaller its currents, the longer it takes to settle."""
    return tuple(
        Range(full_scale=float(f"1e{power}"), noise=noise * 10.0**power, settling=slowest / 4 ** (power - lowest))
        for power in range(lowest, highest + 1)
    )


MODELS = {
    model.name: model
    for model in (
        Model(
            name="bench",
            controls=("potential", "current"),
            ranges=_decades(-7, -2, noise=3e-7, slowest=40e-3),
            window=5.0,
            compliance=12.0,
            counts=131_072,
            potential_noise=2e-6,
            hum=2e-5,
            fastest_period=10e-6,
            steepest_sweep=100.0,
            streamed_rate=50_000.0,
            buffer=131_072,
            outputs=("stirrer", "gas", "light", "rotation_rate"),
            highest_rotation_rate=150.0,
            frequencies=(1e-3, 100e3),
            couples=True,
            battery=None,
        ),
        Model(
            name="field",
            controls=("potential",),
            ranges=_decades(-6, -3, noise=1e-6, slowest=20e-3),
            window=2.0,
            compliance=4.0,
            counts=32_768,
            potential_noise=10e-6,
            hum=1e-4,
            fastest_period=1e-3,
            steepest_sweep=5.0,
            streamed_rate=1000.0,
            buffer=16_384,
            outputs=(),
            highest_rotation_rate=None,
            frequencies=(10e-3, 1e3),
            couples=False,
            battery=12 * 3600.0,
        ),
    )
}
