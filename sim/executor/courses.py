"""From a segment to its course; a further kind of segment is a file of its own and a case here."""

from luggin.protocol.program import (
    AFTER_RUN_PERIOD,
    AnySegment,
    Couple,
    Hold,
    Open,
    Pulses,
    Ramp,
    Sine,
    ramp_duration,
)
from luggin.sim.cell.api import Drive
from luggin.sim.executor.course import Before, Course
from luggin.sim.executor.pulses import PulseTrain
from luggin.sim.executor.sine import OneFrequency
from luggin.sim.executor.straight import Straight


def course(segment: AnySegment, part: int, before: Before) -> Course:
    """Make the course of this part of a segment, which begins where `before` says."""
    base = before.open_circuit if getattr(segment, "versus_open_circuit", False) else 0.0
    assert base is not None  # a program with relative levels has an open segment first
    match segment:
        case Open():
            return Straight(None, 0.0, 0.0, segment.duration, segment.period, segment.statistics)
        case Hold():
            level = base + segment.level
            return Straight(segment.control, level, level, segment.duration, segment.period, segment.statistics)
        case Ramp():
            start = before.level(segment.control) if segment.start is None else base + segment.start
            end = base + segment.end
            duration = ramp_duration(start, end, segment.rate)
            return Straight(segment.control, start, end, duration, segment.period, segment.statistics)
        case Pulses():
            return PulseTrain(segment, base, before.mains)
        case Couple():
            return Straight("couple", 0.0, 0.0, segment.duration, segment.period, segment.statistics)
        case Sine():
            bias = before.level(segment.control) if segment.bias is None else base + segment.bias
            return OneFrequency(segment, segment.frequencies[part], bias)


def watch(control: Drive | None, level: float, duration: float) -> Course:
    """A hold that is only watched: an operator's, the one after a run, or the dead-man's."""
    return Straight(control, level, level, duration, AFTER_RUN_PERIOD)
