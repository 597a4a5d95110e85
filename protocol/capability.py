"""What an instrument can do, and whether it can do what a program asks: checked before the cell is touched."""

from collections.abc import Iterator
from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.problem import Problem
from luggin.protocol.program import (
    AnySegment,
    Bounds,
    Control,
    Couple,
    Frozen,
    Open,
    Program,
    Pulses,
    Ramp,
    Ranging,
    Sine,
    bounds,
)
from luggin.protocol.quantity import show

Output = Literal["stirrer", "gas", "light", "rotation_rate"]


class Identity(Frozen):
    """Who the instrument says it is."""

    maker: str = Field(max_length=64)
    model: str = Field(max_length=64)
    serial: str = Field(max_length=64)
    firmware: str = Field(max_length=64)


class Capability(Frozen):
    """The instrument's abilities.  Windows and full scales are SI; `current_ranges` are full scales in A, ascending."""

    identity: Identity
    segments: tuple[str, ...]
    controls: tuple[Control, ...]
    potential_low: float
    potential_high: float
    compliance: float = Field(gt=0)
    current_ranges: tuple[float, ...] = Field(min_length=1, max_length=32)
    settling_times: tuple[float, ...] | None = None
    """Seconds, one for each current range: how long after a step of the current its reading is not yet true."""
    fastest_period: float = Field(gt=0)
    steepest_sweep: float = Field(gt=0)
    streamed_rate: float = Field(gt=0)
    """Points per second that the connection carries for as long as one likes; a faster program must fit the buffer."""
    buffer: int = Field(gt=0)
    columns: tuple[str, ...]
    outputs: tuple[Output, ...] = ()
    channels: int = Field(1, ge=1)
    second_electrode: bool = False
    lowest_frequency: float | None = Field(None, gt=0)
    highest_frequency: float | None = Field(None, gt=0)
    highest_rotation_rate: float | None = Field(None, gt=0)
    floating: bool
    dead_man: bool
    host_timed: bool = False
    """Whether the host times every step: a program is carried out by the session, and ends with it."""
    largest_program: int = Field(gt=0)
    """Bytes of an encoded program."""

    @model_validator(mode="after")
    def _a_settling_time_for_each_range(self) -> "Capability":
        if self.settling_times is not None and len(self.settling_times) != len(self.current_ranges):
            raise ValueError("settling_times and current_ranges must be of one length")
        return self


def check(program: Program, capability: Capability) -> list[Problem]:
    """Everything in `program` that the instrument can't do, each naming the limit.  Empty when it can run it."""
    limits = bounds(program)
    found = (*_window(limits, capability), *_ranges(program, capability), *_segments(program, capability, limits))
    return list(dict.fromkeys(found))  # the segments of a phase may share a problem


def _window(limits: Bounds, capability: Capability) -> Iterator[Problem]:
    window = f"the instrument applies {show(capability.potential_low, 'V')} to {show(capability.potential_high, 'V')}"
    low, high = limits.potential_low, limits.potential_high
    outside = "outside the instrument's window"
    if low is not None and low < capability.potential_low - 1e-9:
        yield Problem("potential", show(low, "V"), outside, window)
    if high is not None and high > capability.potential_high + 1e-9:
        yield Problem("potential", show(high, "V"), outside, window)
    largest = capability.current_ranges[-1]
    for current in (limits.current_low, limits.current_high):
        if current is not None and abs(current) > largest * (1 + 1e-9):
            allowed = f"the largest range is {show(largest, 'A')}"
            yield Problem("current", show(current, "A"), "more than the instrument delivers", allowed)


def _ranges(program: Program, capability: Capability) -> Iterator[Problem]:
    listed = ", ".join(show(r, "A") for r in capability.current_ranges)
    for name in ("lower", "upper", "initial"):
        wanted = getattr(program.ranging, name)
        if wanted is not None and nearest_range(wanted, capability) is None:
            yield Problem(f"ranging.{name}", show(wanted, "A"), "the instrument has no such range", f"it has {listed}")
    upper, limits = program.ranging.upper, bounds(program)
    for current in (limits.current_low, limits.current_high):
        if upper is not None and current is not None and abs(current) > upper * (1 + 1e-9):
            reason = f"the program forces {show(current, 'A')}, which the largest allowed range does not hold"
            yield Problem("ranging.upper", show(upper, "A"), reason, "allow a larger one, or force less")


def nearest_range(full_scale: float, capability: Capability) -> int | None:
    """Index of the range with this full scale (to 1 %), or None."""
    for index, each in enumerate(capability.current_ranges):
        if abs(each - full_scale) <= 0.01 * each:
            return index
    return None


def _segments(program: Program, capability: Capability, limits: Bounds) -> Iterator[Problem]:
    for block in program.blocks:
        where = f"phases[{block.phase}]"
        for segment in block.segments:
            yield from _segment(segment, where, capability)
            if isinstance(segment, Pulses):
                yield from _pulse_times(segment, where, capability)
                yield from _settling(segment, program.ranging, where, capability)
    if limits.fastest_period is not None:
        if limits.fastest_period < capability.fastest_period * (1 - 1e-9):
            allowed = f"its shortest is {show(capability.fastest_period, 's')}; sweep slower or take fewer points"
            reason = "points follow each other faster than the instrument can sample"
            yield Problem("sampling period", show(limits.fastest_period, "s"), reason, allowed)
        rate = 1 / limits.fastest_period
        if rate > capability.streamed_rate * (1 + 1e-9) and limits.points > capability.buffer:
            allowed = (
                f"it streams {capability.streamed_rate:.6g} points/s, faster programs may have {capability.buffer}"
            )
            yield Problem("points", limits.points, "too many for the instrument's memory at this rate", allowed)
    if program.limits.potential.low is None or program.limits.potential.high is None:
        yield Problem("limits.potential", None, "a program needs a potential window", "give low and high")


def _segment(segment: AnySegment, where: str, capability: Capability) -> Iterator[Problem]:
    if segment.kind not in capability.segments:
        able = "it executes " + ", ".join(capability.segments)
        yield Problem(where, segment.kind, "the instrument can't execute this kind of segment", able)
    if not isinstance(segment, Open | Couple) and segment.control not in capability.controls:
        able = "it controls " + " and ".join(capability.controls)
        yield Problem(where, segment.control, "the instrument can't control this quantity", able)
    if (
        isinstance(segment, Ramp)
        and segment.control == "potential"
        and segment.rate > capability.steepest_sweep * (1 + 1e-9)
    ):
        able = f"its steepest sweep is {show(capability.steepest_sweep, 'V/s')}"
        yield Problem(f"{where}.scan_rate", show(segment.rate, "V/s"), "steeper than the instrument sweeps", able)
    if isinstance(segment, Sine):
        yield from _frequencies(segment, where, capability)
    if segment.channel > capability.channels:
        able = f"it has {capability.channels}"
        yield Problem(f"{where}.channel", segment.channel, "the instrument has no such electrode channel", able)
    if segment.second_electrode is not None and not capability.second_electrode:
        yield Problem(f"{where}.second_electrode", None, "the instrument has no second working electrode", "remove it")
    for name, value in segment.outputs:
        if value and name not in capability.outputs:
            able = "it has " + (", ".join(capability.outputs) or "no outputs")
            yield Problem(f"{where}.{name}", value, "the instrument has no such output", able)
    fastest, rate = capability.highest_rotation_rate, segment.outputs.rotation_rate
    if fastest is not None and rate is not None and rate > fastest * (1 + 1e-9):
        able = f"it turns at {show(fastest, 'Hz')} at most"
        yield Problem(f"{where}.rotation_rate", show(rate, "Hz"), "faster than the electrode can turn", able)


def _pulse_times(segment: Pulses, where: str, capability: Capability) -> Iterator[Problem]:
    fastest = capability.fastest_period
    able = f"its shortest is {show(fastest, 's')}"
    shortest = min(pulse.duration for pulse in segment.pulses)
    if shortest < fastest * (1 - 1e-9):
        yield Problem(f"{where}.pulse_width", show(shortest, "s"), "shorter than the instrument can pulse", able)
        return
    window = min(pulse.sample_to - pulse.sample_from for pulse in segment.pulses if pulse.record != "nothing")
    if window < fastest * (1 - 1e-9):
        yield Problem(f"{where}.sampling_window", show(window, "s"), "shorter than the instrument can sample", able)


def _settling(segment: Pulses, ranging: Ranging, where: str, capability: Capability) -> Iterator[Problem]:
    """Ranges too slow for a pulse train: the lowest that was asked for or, where that is left open, all of them."""
    times, scales = capability.settling_times, capability.current_ranges
    if times is None or segment.control == "current":
        return
    lowest, highest = (
        None if scale is None else nearest_range(scale, capability) for scale in (ranging.lower, ranging.upper)
    )
    allowed = range(lowest or 0, len(scales) if highest is None else highest + 1)
    fast = [index for index in allowed if times[index] <= segment.lead * (1 + 1e-9)]
    if not allowed or allowed[0] in fast or (ranging.lower is None and fast):
        return
    slow = allowed[0] if ranging.lower is not None else min(allowed, key=lambda index: times[index])
    reason = (
        f"the current is sampled {show(segment.lead, 's')} after a pulse begins, when the range of "
        f"{show(scales[slow], 'A')} still settles (it takes {show(times[slow], 's')})"
    )
    remedy = f"set ranging.lower = {show(scales[fast[0]], 'A')}, or " if fast else ""
    yield Problem(f"{where}.sampling_window", None, reason, remedy + "lengthen the pulses or sample later in them")


def _frequencies(segment: Sine, where: str, capability: Capability) -> Iterator[Problem]:
    low, high = capability.lowest_frequency, capability.highest_frequency
    if low is None or high is None:
        return
    for edge in (min(segment.frequencies), max(segment.frequencies)):
        if not low * (1 - 1e-9) <= edge <= high * (1 + 1e-9):
            able = f"it measures from {show(low, 'Hz')} to {show(high, 'Hz')}"
            yield Problem(f"{where}.frequency", show(edge, "Hz"), "outside the instrument's frequencies", able)
