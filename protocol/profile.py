"""The course of a program: what is applied when, for drawings.  End conditions and pauses are not foreseen."""

from collections.abc import Iterator
from dataclasses import dataclass

from luggin.protocol.program import Control, Hold, Open, Program, Ramp, ramp_duration


@dataclass(frozen=True)
class Piece:
    """One straight piece, from (`begin`, `level`) to (`end`, `final`) in s and V or A; None at open circuit."""

    phase: int
    control: Control | None
    begin: float
    end: float
    level: float | None
    final: float | None


def course(program: Program, most_repeats: int = 5) -> Iterator[Piece]:
    """Pieces in order; of a block that repeats often only the first `most_repeats` are given."""
    now, reached = 0.0, 0.0
    for block in program.blocks:
        for _ in range(min(block.repeat, most_repeats)):
            for segment in block.segments:
                match segment:
                    case Open():
                        piece = Piece(block.phase, None, now, now + segment.duration, None, None)
                    case Hold():
                        end, reached = now + segment.duration, segment.level
                        piece = Piece(block.phase, segment.control, now, end, segment.level, segment.level)
                    case Ramp():
                        start = reached if segment.start is None else segment.start
                        end, reached = now + ramp_duration(start, segment.end, segment.rate), segment.end
                        piece = Piece(block.phase, segment.control, now, end, start, segment.end)
                yield piece
                now = piece.end
