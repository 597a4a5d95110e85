"""What an instrument executes: blocks of segments with end conditions, and everything it needs to stay safe alone.

A program is plain data (it is hashed, stored and sent), complete (an instrument that lost its host needs nothing
more) and bounded: `bounds` states how long it can last, how many points it can make and what it can apply.
"""

import math
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Control = Literal["potential", "current"]
MOST_BLOCKS, MOST_SEGMENTS, MOST_REPEATS = 64, 256, 1_000_000
LONGEST = 366 * 86400.0


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


class Segment(Frozen):
    """What all segments share: one point is stored each `period` seconds (None: the segment stores no points)."""

    period: float | None = Field(gt=0, le=LONGEST)
    outputs: Outputs = Outputs()
    until: tuple[Until, ...] = Field((), max_length=4)
    autorange: bool = True


class Open(Segment):
    """Cell open; the potential is measured at open circuit."""

    kind: Literal["open"] = "open"
    duration: float = Field(gt=0, le=LONGEST)


class Hold(Segment):
    """A constant potential (V) or current (A)."""

    kind: Literal["hold"] = "hold"
    control: Control = "potential"
    level: float
    versus_open_circuit: bool = False
    duration: float = Field(gt=0, le=LONGEST)


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


AnySegment = Annotated[Open | Hold | Ramp, Field(discriminator="kind")]


class Block(Frozen):
    """Segments in order, the whole repeated; `phase` is the index of the method's phase that this block carries out.

    `pause` says where an operator's hold may take effect; `on_stop` marks blocks that an orderly stop still executes.
    """

    phase: int = Field(ge=0, le=255)
    segments: tuple[AnySegment, ...] = Field(min_length=1, max_length=MOST_SEGMENTS)
    repeat: int = Field(1, ge=1, le=MOST_REPEATS)
    pause: Literal["never", "between-repeats", "any-time"] = "never"
    on_stop: bool = False


class Ranging(Frozen):
    """Autoranging in the words of SCPI: lower and upper limit and initial range, full scales in A.

    Equal limits fix the range.  None leaves it to the instrument's own smallest or largest range.
    """

    lower: float | None = Field(None, gt=0)
    upper: float | None = Field(None, gt=0)
    initial: float | None = Field(None, gt=0)


class Limit(Frozen):
    """A window for a measured quantity: outside [low, high] for `persistence` seconds, or outside the hard window at
    all, is a violation."""

    low: float | None = None
    high: float | None = None
    hard_low: float | None = None
    hard_high: float | None = None
    persistence: float = Field(0.0, ge=0, le=60)


class Limits(Frozen):
    """Safety limits; they travel to the instrument and are checked again by the host on every batch."""

    potential: Limit
    current: Limit = Limit()
    charge: Limit = Limit()
    cell_voltage: Limit = Limit()
    temperature: Limit = Limit()
    control_overload: float = Field(0.1, ge=0, le=60)
    duration: float = Field(gt=0, le=LONGEST)


class Ending(Frozen):
    """What follows the last segment and an orderly stop: cell off, or a hold bounded in time and watched like a run."""

    after_run: Literal["cell-off", "hold"] = "cell-off"
    potential: float | None = None
    duration: float = Field(0.0, ge=0, le=LONGEST)


class DeadMan(Frozen):
    """What the instrument does by itself once its host was silent for `timeout` seconds of real time.

    `hold` applies `potential`, then opens after `duration` more seconds; `continue` executes on for at most
    `duration` seconds or until `charge` (magnitude, C) has passed, then opens the cell.
    """

    timeout: float = Field(10.0, ge=0.5, le=LONGEST)
    action: Literal["open", "hold", "continue"] = "open"
    potential: float | None = None
    duration: float = Field(0.0, ge=0, le=LONGEST)
    charge: float | None = Field(None, gt=0)


class Program(Frozen):
    """A complete, bounded programme for one instrument.  All numbers are SI."""

    version: Literal[1] = 1
    technique: str
    blocks: tuple[Block, ...] = Field(min_length=1, max_length=MOST_BLOCKS)
    ranging: Ranging = Ranging()
    limits: Limits
    ending: Ending = Ending()
    dead_man: DeadMan = DeadMan()
    longest_hold: float = Field(600.0, ge=0, le=LONGEST)
    mains_frequency: Literal[50, 60] = 50
    """An instrument averages over whole mains cycles where a sampling period leaves the time for it."""


class Bounds(Frozen):
    """Upper bounds of what a program can do: seconds, points, and the window of potentials (V) and currents (A) that
    it asks for.  Windows are None when the program never controls that quantity."""

    duration: float
    points: int
    fastest_period: float | None
    potential_low: float | None
    potential_high: float | None
    current_low: float | None
    current_high: float | None
    steepest: float


def bounds(program: Program) -> Bounds:
    """Upper bounds of duration, points and applied envelope; end conditions and stops only make them smaller."""
    duration, points = 0.0, 0
    for block, (_, seconds, count) in ((b, _block_bounds(b)) for b in program.blocks):
        duration += block.repeat * seconds
        points += block.repeat * count
    if program.ending.after_run == "hold":
        duration += program.ending.duration
        points += math.ceil(program.ending.duration / AFTER_RUN_PERIOD)
    levels = list(_levels(program))
    potentials = [level for control, level in levels if control == "potential"]
    currents = [level for control, level in levels if control == "current"]
    periods = [s.period for b in program.blocks for s in b.segments if s.period is not None]
    return Bounds(
        duration=duration,
        points=points,
        fastest_period=min(periods, default=None),
        potential_low=min(potentials, default=None),
        potential_high=max(potentials, default=None),
        current_low=min(currents, default=None),
        current_high=max(currents, default=None),
        steepest=max((s.rate for b in program.blocks for s in b.segments if isinstance(s, Ramp)), default=0.0),
    )


AFTER_RUN_PERIOD = 1.0
"""Seconds between the points that watch an after-run hold or an operator's hold."""


def sample_count(duration: float, period: float | None) -> int:
    """Points that a segment of `duration` stores: one at the end of each whole period.

    A hair of tolerance keeps 1 s / 0.1 s at 10 points whatever the rounding.
    """
    return 0 if period is None else math.floor(duration / period * (1 + 1e-12) + 1e-9)


def ramp_duration(start: float, end: float, rate: float) -> float:
    """Seconds that a sweep from `start` to `end` takes."""
    return abs(end - start) / rate


def _block_bounds(block: Block) -> tuple[float, float, int]:
    """(largest level, seconds, points) of one repeat."""
    seconds, points, reached = 0.0, 0, [0.0]
    for segment in block.segments:
        match segment:
            case Open() | Hold():
                longest = segment.duration
                if isinstance(segment, Hold):
                    reached.append(segment.level)
            case Ramp():
                # A sweep that goes on from wherever the one before ended may have to cross all that was swept.
                starts = reached if segment.start is None else [segment.start]
                longest = max(ramp_duration(start, segment.end, segment.rate) for start in starts)
                reached += [segment.end] if segment.start is None else [segment.start, segment.end]
        seconds += longest
        points += sample_count(longest, segment.period)
    return max(map(abs, reached)), seconds, points


def _levels(program: Program) -> Iterator[tuple[Control, float]]:
    for block in program.blocks:
        for segment in block.segments:
            match segment:
                case Hold():
                    yield segment.control, segment.level
                case Ramp():
                    yield segment.control, segment.end
                    if segment.start is not None:
                        yield segment.control, segment.start
    if program.ending.after_run == "hold" and program.ending.potential is not None:
        yield "potential", program.ending.potential
    if program.dead_man.action == "hold" and program.dead_man.potential is not None:
        yield "potential", program.dead_man.potential
