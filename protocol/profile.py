"""The course of a program: what is applied when, for drawings.  End conditions and pauses are not foreseen."""

from collections.abc import Iterator
from dataclasses import dataclass

from luggin.protocol.program import AnySegment, Control, Couple, Hold, Open, Program, Pulses, Ramp, Sine, ramp_duration


@dataclass(frozen=True)
class Piece:
    """One straight piece, from (`begin`, `level`) to (`end`, `final`) in s and V or A; None at open circuit."""

    phase: int
    control: Control | None
    begin: float
    end: float
    level: float | None
    final: float | None


def course(program: Program, most_repeats: int = 5, open_circuit: float = 0.0) -> Iterator[Piece]:
    """Pieces in order; of a block that repeats often only the first `most_repeats` are given.

    Levels versus open circuit are drawn as if the cell rested at `open_circuit`; a sine is drawn as its bias.
    """
    now, reached = 0.0, 0.0
    for block in program.blocks:
        for _ in range(min(block.repeat, most_repeats)):
            for segment in block.segments:
                for seconds, level, final in pieces(segment, reached, open_circuit):
                    control = None if isinstance(segment, Open | Couple) else segment.control
                    yield Piece(block.phase, control, now, now + seconds, level, final)
                    now += seconds
                    reached = reached if final is None else final


def pieces(
    segment: AnySegment, reached: float, open_circuit: float
) -> Iterator[tuple[float, float | None, float | None]]:
    """(seconds, level at the beginning, level at the end) of each straight piece of a segment, in order."""
    base = open_circuit if getattr(segment, "versus_open_circuit", False) else 0.0
    match segment:
        case Open() | Couple():
            yield segment.duration, None, None
        case Hold():
            yield segment.duration, segment.level + base, segment.level + base
        case Ramp():
            start, end = reached if segment.start is None else segment.start + base, segment.end + base
            yield ramp_duration(start, end, segment.rate), start, end
        case Pulses():
            for index in range(segment.count):
                stair = segment.start + index * segment.step
                for pulse in segment.pulses:
                    level = base + pulse.offset + (segment.start if pulse.from_start else stair)
                    yield pulse.duration, level, level
        case Sine():
            level = reached if segment.bias is None else segment.bias + base
            yield segment.seconds(()), level, level
