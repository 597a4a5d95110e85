"""What an instrument executes: blocks of segments with end conditions, and everything it needs to stay safe alone.

A program is plain data (it is hashed, stored and sent), complete (an instrument that lost its host needs nothing
more) and bounded: `bounds` states how long it can last, how many points it can make and what it can apply.
"""

import math
from collections.abc import Iterator
from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.segments import (
    LONGEST,
    AnySegment,
    Control,
    Couple,
    Frozen,
    Hold,
    Open,
    Outputs,
    Pulse,
    Pulses,
    Ramp,
    SecondElectrode,
    Segment,
    Sine,
    Until,
    ramp_duration,
    sample_count,
)

__all__ = [
    "LONGEST", "AnySegment", "Block", "Bounds", "Control", "Couple", "DeadMan", "Ending", "Frozen", "Hold", "Limit",
    "Limits", "Open", "OpenCircuitWindow", "Outputs", "Program", "Pulse", "Pulses", "Ramp", "Ranging",
    "SecondElectrode", "Segment", "Sine", "Until", "bounds", "ramp_duration", "sample_count",
]  # fmt: skip

MOST_BLOCKS, MOST_SEGMENTS, MOST_REPEATS = 64, 256, 1_000_000


class Block(Frozen):
    """Segments in order, the whole repeated; `phase` is the index of the method's phase that this block carries out.

    `pause` says where an operator's hold may take effect (between segments includes between a sine's frequencies);
    `on_stop` marks blocks that an orderly stop still executes.
    """

    phase: int = Field(ge=0, le=255)
    segments: tuple[AnySegment, ...] = Field(min_length=1, max_length=MOST_SEGMENTS)
    repeat: int = Field(1, ge=1, le=MOST_REPEATS)
    pause: Literal["never", "between-repeats", "between-segments", "any-time"] = "never"
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


class OpenCircuitWindow(Frozen):
    """The plausible open-circuit potential (V) to which relative levels are added: the mean over the last `average`
    seconds of an open segment.  The program ends when it lies outside."""

    low: float
    high: float
    average: float = Field(1.0, gt=0, le=3600)


class Program(Frozen):
    """A complete, bounded programme for one instrument.  All numbers are SI."""

    version: Literal[1] = 1
    technique: str
    blocks: tuple[Block, ...] = Field(min_length=1, max_length=MOST_BLOCKS)
    ranging: Ranging = Ranging()
    limits: Limits
    ending: Ending = Ending()
    dead_man: DeadMan = DeadMan()
    open_circuit: OpenCircuitWindow | None = None
    longest_hold: float = Field(600.0, ge=0, le=LONGEST)
    mains_frequency: Literal[50, 60] = 50
    """An instrument averages over whole mains cycles where a sampling period leaves the time for it."""

    @model_validator(mode="after")
    def _relative_levels_have_a_base(self) -> "Program":
        measured = False
        for segment in (segment for block in self.blocks for segment in block.segments):
            measured = measured or isinstance(segment, Open)
            if getattr(segment, "versus_open_circuit", False) and not (measured and self.open_circuit):
                raise ValueError("levels versus open circuit need an open segment before them and a plausible window")
        return self


class Bounds(Frozen):
    """Upper bounds of what a program can do: seconds, points, and the window of potentials (V) and currents (A) that
    it asks for.  Windows are None when the program never controls that quantity.

    `held_points` may come on top of `points`, where an operator holds the run for as long as the method allows.
    """

    duration: float
    points: int
    held_points: int
    fastest_period: float | None
    potential_low: float | None
    potential_high: float | None
    current_low: float | None
    current_high: float | None
    steepest: float


def bounds(program: Program) -> Bounds:
    """Upper bounds of duration, points and applied envelope; end conditions and stops only make them smaller."""
    duration, points = 0.0, 0
    for block in program.blocks:
        seconds, count = _block_bounds(block)
        duration += block.repeat * seconds
        points += block.repeat * count
    if program.ending.after_run == "hold":
        duration += program.ending.duration
        points += math.ceil(program.ending.duration / AFTER_RUN_PERIOD)
    levels = list(_levels(program))
    potentials = [level for control, level in levels if control == "potential"]
    currents = [level for control, level in levels if control == "current"]
    segments = [segment for block in program.blocks for segment in block.segments]
    may_be_held = any(block.pause != "never" for block in program.blocks)
    return Bounds(
        duration=duration,
        points=points,
        held_points=math.ceil(program.longest_hold / AFTER_RUN_PERIOD) if may_be_held else 0,
        fastest_period=min((s.period for s in segments if s.period is not None), default=None),
        potential_low=min(potentials, default=None),
        potential_high=max(potentials, default=None),
        current_low=min(currents, default=None),
        current_high=max(currents, default=None),
        steepest=max((s.rate for s in segments if isinstance(s, Ramp)), default=0.0),
    )


AFTER_RUN_PERIOD = 1.0
"""Seconds between the points that watch an after-run hold or an operator's hold."""


def _block_bounds(block: Block) -> tuple[float, int]:
    """Seconds and points of one repeat."""
    total, points, reached = 0.0, 0, [0.0]
    for segment in block.segments:
        seconds = segment.seconds(reached)
        reached.extend(segment.levels())
        total += seconds
        points += segment.points(seconds)
    return total, points


def _levels(program: Program) -> Iterator[tuple[Control, float]]:
    for segment in (segment for block in program.blocks for segment in block.segments):
        if isinstance(segment, Open | Couple):
            continue
        base = program.open_circuit if segment.versus_open_circuit else None
        for level in segment.levels():
            yield segment.control, level + (base.low if base else 0.0)
            yield segment.control, level + (base.high if base else 0.0)
    if program.ending.after_run == "hold" and program.ending.potential is not None:
        yield "potential", program.ending.potential
    if program.dead_man.action == "hold" and program.dead_man.potential is not None:
        yield "potential", program.dead_man.potential
