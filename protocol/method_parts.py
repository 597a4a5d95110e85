"""The parts of a method document, each a table of its own with units in its fields."""

from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.program import LONGEST, Frozen, Ranging
from luggin.protocol.quantity import (
    Area,
    Charge,
    Current,
    Duration,
    Frequency,
    Potential,
    Resistance,
    ScanRate,
    Temperature,
    show,
)


class Setup(Frozen):
    """What is on the bench.  `area` is the geometric area of the working electrode."""

    reference: str = Field(min_length=1, max_length=64, description="reference electrode, e.g. Ag/AgCl (3 M KCl)")
    electrode: str = Field("", max_length=64, description="name of the working electrode")
    counter: str = Field("", max_length=64, description="counter electrode")
    area: Area | None = Field(None, gt=0, description="geometric area of the working electrode")
    sample: str = Field("", max_length=128, description="what is in the cell")
    cell: str = Field("", max_length=256, description="notes on the cell, electrolyte and temperature")
    tags: tuple[str, ...] = Field((), max_length=16, description="words to find the run by")


class Preparation(Frozen):
    """A phase before or after the measurement: at a potential, or at open circuit when none is given.

    A `settle` phase without a potential waits at the potential at which the measurement starts.
    """

    phase: Literal["purge", "condition", "deposit", "rest", "settle", "clean"]
    duration: Duration = Field(gt=0, le=LONGEST)
    potential: Potential | None = None
    period: Duration = Field(0.5, gt=0, description="time from one stored point to the next")
    stirrer: bool | None = None
    gas: bool | None = None
    light: bool | None = None
    rotation_rate: Frequency | None = Field(None, ge=0)
    end_drift: ScanRate | None = Field(
        None, gt=0, description="drift of the open-circuit potential below which the phase ends; not met, the run ends"
    )
    drift_window: Duration = Field(10.0, gt=0, description="time over which the drift is fitted")


Unfit = Literal["refuse", "flag"]
"""What becomes of a run whose instrument, electrode or cell is not fit: it does not start, or its result is flagged."""


class Requirements(Frozen):
    """Qualifications that have to stand: the newest one has passed and has not expired."""

    instrument_qualification: Unfit | None = Field(None, description="of the instrument, on a dummy cell")
    electrode_qualification: Unfit | None = Field(None, description="of the electrode of setup, in a redox probe")


class PreFlightChoice(Frozen):
    """A look at the cell before the run: the open-circuit potential for a while, then an alternating potential of a few
    millivolts about it, from a high frequency down.

    `unfit` says what becomes of the run when something is wrong.  `largest_noise` is the standard deviation of the
    open-circuit potential about its drift; the bounds of the uncompensated resistance tell a short from a dry reference
    or a bubble.  Common practice, no source: a laboratory sets its own.
    """

    unfit: Unfit = "refuse"
    rest: Duration = Field(2.0, ge=0.5, le=600, description="time at open circuit")
    amplitude: Potential = Field(5e-3, gt=0, le=0.02, description="amplitude of the alternating potential, rms")
    smallest_resistance: Resistance = Field(1.0, gt=0)
    largest_resistance: Resistance = Field(10e3, gt=0)
    largest_noise: Potential = Field(1e-3, gt=0)

    @model_validator(mode="after")
    def _ordered(self) -> "PreFlightChoice":
        if self.smallest_resistance >= self.largest_resistance:
            raise ValueError("smallest_resistance must lie below largest_resistance; exchange them")
        return self


class RangingChoice(Frozen):
    """Current range: `fixed`, or autoranging between `lower` and `upper` from `initial`."""

    fixed: Current | None = Field(None, gt=0)
    lower: Current | None = Field(None, gt=0)
    upper: Current | None = Field(None, gt=0)
    initial: Current | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _ordered(self) -> "RangingChoice":
        if self.fixed is not None and (self.lower or self.upper or self.initial):
            raise ValueError("fixed excludes lower, upper and initial; give either")
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise ValueError(f"lower {show(self.lower, 'A')} is above upper {show(self.upper, 'A')}; exchange them")
        if self.initial is not None and not (self.lower or 0) <= self.initial <= (self.upper or self.initial):
            raise ValueError(f"initial {show(self.initial, 'A')} lies outside lower and upper")
        return self

    def compiled(self) -> Ranging:
        if self.fixed is not None:
            return Ranging(lower=self.fixed, upper=self.fixed, initial=self.fixed)
        return Ranging(lower=self.lower, upper=self.upper, initial=self.initial)


class _Window(Frozen):
    persistence: Duration = Field(0.1, ge=0, le=60)


class PotentialWindow(_Window):
    low: Potential
    high: Potential
    hard_low: Potential | None = None
    hard_high: Potential | None = None


class CurrentWindow(_Window):
    low: Current | None = None
    high: Current | None = None
    hard_low: Current | None = None
    hard_high: Current | None = None


class ChargeWindow(_Window):
    low: Charge | None = None
    high: Charge | None = None


class TemperatureWindow(_Window):
    low: Temperature | None = None
    high: Temperature | None = None


class LimitChoice(Frozen):
    """Safety limits.  Without a potential window the program's own envelope with a margin is the window."""

    potential: PotentialWindow | None = None
    current: CurrentWindow | None = None
    charge: ChargeWindow | None = None
    cell_voltage: PotentialWindow | None = None
    temperature: TemperatureWindow | None = None
    control_overload: Duration = Field(0.1, ge=0, le=60)
    duration: Duration | None = Field(None, gt=0, le=LONGEST)

    @model_validator(mode="after")
    def _ordered(self) -> "LimitChoice":
        for name in ("potential", "current", "charge", "cell_voltage", "temperature"):
            window = getattr(self, name)
            if window is None:
                continue
            ladder = [getattr(window, edge, None) for edge in ("hard_low", "low", "high", "hard_high")]
            given = [edge for edge in ladder if edge is not None]
            if given != sorted(given):
                raise ValueError(f"{name}: hard_low, low, high and hard_high must ascend")
        return self


class EndingChoice(Frozen):
    after_run: Literal["cell-off", "hold"] = "cell-off"
    potential: Potential | None = None
    duration: Duration = Field(0.0, ge=0, le=LONGEST)

    @model_validator(mode="after")
    def _complete(self) -> "EndingChoice":
        if self.after_run == "hold" and (self.potential is None or self.duration == 0):
            raise ValueError("an after-run hold needs a potential and a duration; give both, or end with cell-off")
        return self


class DeadManChoice(Frozen):
    """What the instrument does once its host fell silent for `timeout`."""

    timeout: Duration = Field(10.0, ge=0.5, le=LONGEST)
    action: Literal["open", "hold", "continue"] = "open"
    potential: Potential | None = None
    duration: Duration = Field(0.0, ge=0, le=LONGEST)
    charge: Charge | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _complete(self) -> "DeadManChoice":
        if self.action == "hold" and self.potential is None:
            raise ValueError("action hold needs a potential; give it, or choose open")
        if self.action != "open" and self.duration == 0:
            raise ValueError(f"action {self.action} needs a duration after which the cell opens; give it")
        return self


class OpenCircuitChoice(Frozen):
    """Where a plausible open-circuit potential lies; needed when potentials are given versus open circuit."""

    low: Potential
    high: Potential
    average: Duration = Field(1.0, gt=0, le=3600)

    @model_validator(mode="after")
    def _ordered(self) -> "OpenCircuitChoice":
        if self.low >= self.high:
            raise ValueError("low must lie below high; exchange them")
        return self
