"""Segments: the elementary things that an instrument executes, each knowing its own bounds.

A level is a potential (V) or a current (A) according to `control`.  With `versus_open_circuit` a level is added to the
open-circuit potential that the program's last open segment found.
"""

import math
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Control = Literal["potential", "current"]
LONGEST = 366 * 86400.0
MOST_FREQUENCIES = 400


class Frozen(BaseModel):
    """Base of every document model: immutable, nothing unknown, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Until(Frozen):
    """Ends its segment early once a measured quantity has crossed a bound for `persistence` seconds.

    `charge` is that of the segment; `drift` is the magnitude of the slope of the measured potential (V/s) over the
    last `persistence` seconds; `share` is the magnitude of the current over that of the segment's first valid point.
    The condition is not looked at before `not_before` seconds into the segment.
    """

    quantity: Literal["current", "current-magnitude", "charge", "potential", "drift", "share"]
    above: float | None = None
    below: float | None = None
    persistence: float = Field(0.0, ge=0)
    not_before: float = Field(0.0, ge=0)
    then: Literal["next-segment", "next-block"] = "next-segment"

    @model_validator(mode="after")
    def _one_bound(self) -> "Until":
        if (self.above is None) == (self.below is None):
            raise ValueError("give exactly one of above and below")
        if self.quantity == "drift" and (self.persistence <= 0 or self.below is None):
            raise ValueError("drift needs `below` and a persistence above zero, the time over which it is fitted")
        return self


class Outputs(Frozen):
    """Digital and analogue outputs during a segment; None leaves the instrument's safe level."""

    stirrer: bool | None = None
    gas: bool | None = None
    light: bool | None = None
    rotation_rate: float | None = Field(None, ge=0)


class SecondElectrode(Frozen):
    """A second working electrode, at a fixed potential or at an offset from the first one (V)."""

    mode: Literal["fixed", "offset"]
    level: float


class Segment(Frozen):
    """What all segments share: one point is stored each `period` seconds (None: the segment stores no points).

    `channel` is the electrode that a multiplexer connects.  `statistics` keeps the mean, smallest and largest current
    of each period instead of one sample at its end; `integrate` reports the charge since the segment began.
    """

    period: float | None = Field(gt=0, le=LONGEST)
    outputs: Outputs = Outputs()
    until: tuple[Until, ...] = Field((), max_length=4)
    autorange: bool = True
    channel: int = Field(1, ge=1, le=255)
    second_electrode: SecondElectrode | None = None
    statistics: bool = False
    integrate: bool = False

    def seconds(self, reached: Sequence[float]) -> float:
        """Longest duration; `reached` are all levels that may stand when the segment begins."""
        raise NotImplementedError

    def points(self, seconds: float) -> int:
        """Points stored within `seconds`: one at the end of each whole period."""
        return sample_count(seconds, self.period)

    def levels(self) -> Sequence[float]:
        """The levels that this segment asks for at its extremes; empty at open circuit."""
        raise NotImplementedError


class Open(Segment):
    """Cell open; the potential is measured at open circuit.

    With `must_settle` the program ends when the time runs out before an end condition was met.
    """

    kind: Literal["open"] = "open"
    duration: float = Field(gt=0, le=LONGEST)
    must_settle: bool = False

    def seconds(self, reached: Sequence[float]) -> float:
        return self.duration

    def levels(self) -> Sequence[float]:
        return ()


class Couple(Segment):
    """Zero-resistance ammetry: two electrodes are held at no potential difference and their current is measured."""

    kind: Literal["couple"] = "couple"
    duration: float = Field(gt=0, le=LONGEST)

    def seconds(self, reached: Sequence[float]) -> float:
        return self.duration

    def levels(self) -> Sequence[float]:
        return ()


class Hold(Segment):
    """A constant potential or current."""

    kind: Literal["hold"] = "hold"
    control: Control = "potential"
    level: float
    versus_open_circuit: bool = False
    duration: float = Field(gt=0, le=LONGEST)

    def seconds(self, reached: Sequence[float]) -> float:
        return self.duration

    def levels(self) -> Sequence[float]:
        return (self.level,)


class Ramp(Segment):
    """A linear sweep at `rate` (V/s or A/s, above zero) towards `end`; `start` None goes on from the present level.

    Points are sampled at the end of each period: the n-th at start +- n * period * rate.
    """

    kind: Literal["ramp"] = "ramp"
    control: Control = "potential"
    start: float | None
    end: float
    versus_open_circuit: bool = False
    rate: float = Field(gt=0)

    def seconds(self, reached: Sequence[float]) -> float:
        # A sweep that goes on from wherever the one before ended may have to cross all that was swept.
        starts = reached if self.start is None else (self.start,)
        return max(ramp_duration(start, self.end, self.rate) for start in starts)

    def levels(self) -> Sequence[float]:
        return (self.end,) if self.start is None else (self.start, self.end)


class Pulse(Frozen):
    """One level within a period of a pulse train, held for `duration`.

    The level is `offset` above the staircase, or above the train's start when `from_start`.  The current is averaged
    from `sample_from` to `sample_to` seconds into the pulse and recorded as forward or reverse current.
    """

    duration: float = Field(gt=0, le=LONGEST)
    offset: float = 0.0
    from_start: bool = False
    record: Literal["nothing", "forward", "reverse"] = "nothing"
    sample_from: float = Field(0.0, ge=0)
    sample_to: float = Field(0.0, ge=0)

    @model_validator(mode="after")
    def _window(self) -> "Pulse":
        if self.record != "nothing" and not self.sample_from < self.sample_to <= self.duration * (1 + 1e-9):
            raise ValueError("the sampling window must lie within the pulse")
        return self


class Pulses(Segment):
    """A train of `count` equal periods on a staircase: its level in period n, counted from 0, is start + n * step.

    One point a period.  The applied potential of a point is the staircase's, without offsets.  Its current is the
    forward current or, with `difference`, forward minus reverse.  Staircase, normal, differential and square-wave
    voltammetry and pulsed amperometric detection are all such trains.
    """

    kind: Literal["pulses"] = "pulses"
    control: Control = "potential"
    start: float
    step: float
    count: int = Field(ge=1, le=10_000_000)
    pulses: tuple[Pulse, ...] = Field(min_length=1, max_length=16)
    difference: bool = False
    versus_open_circuit: bool = False

    @model_validator(mode="after")
    def _complete(self) -> "Pulses":
        records = [pulse.record for pulse in self.pulses]
        if records.count("forward") != 1 or records.count("reverse") > 1:
            raise ValueError("exactly one pulse of the period records the forward current, at most one the reverse")
        if self.difference and "reverse" not in records:
            raise ValueError("a difference needs a pulse that records the reverse current")
        if self.period is None or not math.isclose(self.period, sum(p.duration for p in self.pulses), rel_tol=1e-6):
            raise ValueError("period must be the sum of the pulses' durations")
        return self

    @property
    def lead(self) -> float:
        """Seconds that the current has to settle after a change of level before it is sampled, at least."""
        return min(pulse.sample_from for pulse in self.pulses if pulse.record != "nothing")

    def seconds(self, reached: Sequence[float]) -> float:
        return self.count * sum(pulse.duration for pulse in self.pulses)

    def points(self, seconds: float) -> int:
        return self.count

    def levels(self) -> Sequence[float]:
        stairs = (self.start, self.start + (self.count - 1) * self.step)
        return [(self.start if p.from_start else stair) + p.offset for p in self.pulses for stair in stairs]


class Sine(Segment):
    """Impedance: a sine of `amplitude` (peak, V or A) about `bias`, one frequency (Hz) after the other, one point each.

    Of each frequency `settle_cycles` pass before `measure_cycles` are evaluated; both last at least their seconds.
    `bias` None keeps the present level.
    """

    kind: Literal["sine"] = "sine"
    control: Control = "potential"
    bias: float | None
    amplitude: float = Field(gt=0)
    frequencies: tuple[Annotated[float, Field(gt=0)], ...] = Field(min_length=1, max_length=MOST_FREQUENCIES)
    settle_cycles: int = Field(1, ge=0, le=1000)
    measure_cycles: int = Field(2, ge=1, le=1000)
    settle_seconds: float = Field(0.0, ge=0, le=3600)
    measure_seconds: float = Field(0.0, ge=0, le=3600)
    versus_open_circuit: bool = False

    def cycles(self, frequency: float) -> tuple[int, int]:
        """Whole cycles that settle and that are evaluated at this frequency."""
        settle = max(self.settle_cycles, math.ceil(self.settle_seconds * frequency - 1e-9))
        measure = max(self.measure_cycles, math.ceil(self.measure_seconds * frequency - 1e-9))
        return settle, measure

    def seconds(self, reached: Sequence[float]) -> float:
        return sum(sum(self.cycles(frequency)) / frequency for frequency in self.frequencies)

    def points(self, seconds: float) -> int:
        return len(self.frequencies)

    def levels(self) -> Sequence[float]:
        bias = 0.0 if self.bias is None else self.bias
        return (bias - self.amplitude, bias + self.amplitude)


AnySegment = Annotated[Open | Couple | Hold | Ramp | Pulses | Sine, Field(discriminator="kind")]


def sample_count(duration: float, period: float | None) -> int:
    """Points that `duration` holds: one at the end of each whole period.

    A hair of tolerance keeps 1 s / 0.1 s at 10 points whatever the rounding.
    """
    return 0 if period is None else math.floor(duration / period * (1 + 1e-12) + 1e-9)


def ramp_duration(start: float, end: float, rate: float) -> float:
    """Seconds that a sweep from `start` to `end` takes."""
    return abs(end - start) / rate
