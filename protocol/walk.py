"""The way through a program's blocks, repeats, segments and, of a sine, its frequencies."""

from luggin.protocol.program import AnySegment, Block, Program, Pulses, Sine


class Walk:
    """A place in a program.  It begins before the first segment; `forward` moves on.

    A segment has one part, a sine one for each frequency; `part` counts them from 0.
    """

    def __init__(self, program: Program) -> None:
        self._blocks = program.blocks
        self._block, self._repeat, self._segment = 0, 0, -1
        self.part = 0
        self._counted = 0  # repeats of the same phase in blocks before this one
        self._stopping = False

    @property
    def block(self) -> Block:
        return self._blocks[self._block]

    @property
    def segment(self) -> AnySegment:
        return self.block.segments[self._segment]

    @property
    def cycle(self) -> int:
        """Repetition within the phase, counted from 1 through all blocks of the phase."""
        return self._counted + self._repeat + 1

    def forward(self, leave_block: bool = False, leave_segment: bool = False) -> bool:
        """Move to the next part, or to the next segment or block; False when there is none."""
        begun = self._segment >= 0
        if begun and not leave_block and not leave_segment and self.part + 1 < _parts(self.segment):
            self.part += 1
            return True
        self.part = 0
        if not leave_block and self._segment + 1 < len(self.block.segments):
            self._segment += 1
            return True
        if not leave_block and self._repeat + 1 < self.block.repeat:
            self._repeat, self._segment = self._repeat + 1, 0
            return True
        for after in range(self._block + 1, len(self._blocks)):
            if not self._stopping or self._blocks[after].on_stop:
                same = self._blocks[after].phase == self.block.phase
                self._counted = self.cycle if same else 0
                self._block, self._repeat, self._segment = after, 0, 0
                return True
        return False

    def stop(self) -> None:
        """From here on only blocks that an orderly stop still executes."""
        self._stopping = True

    def may_pause_now(self) -> bool:
        """Whether an operator's hold can take effect in the midst of this segment: never in that of pulses or
        a sine."""
        return self.block.pause == "any-time" and not isinstance(self.segment, Pulses | Sine)

    def may_pause_here(self) -> bool:
        """Whether an operator's hold can take effect before the segment at which the walk just arrived."""
        match self.block.pause:
            case "any-time":
                return True
            case "between-segments":
                return self.part > 0 or self._segment > 0 or self._repeat > 0
            case "between-repeats":
                return self.part == 0 and self._segment == 0 and self._repeat > 0
            case "never":
                return False

    def may_pause_later(self) -> bool:
        """Whether an operator's hold can take effect anywhere from here on."""
        here = self.block
        repeats = here.repeat - 1 - self._repeat
        parts = sum(map(_parts, here.segments[self._segment :])) - 1 - self.part
        within = isinstance(self.segment, Pulses | Sine) and not (repeats or parts)
        return (_offers(here, repeats, parts) and not within) or any(
            _offers(block, block.repeat - 1, sum(map(_parts, block.segments)) - 1)
            for block in self._blocks[self._block + 1 :]
        )


def _parts(segment: AnySegment) -> int:
    return len(segment.frequencies) if isinstance(segment, Sine) else 1


def _offers(block: Block, repeats: int, parts: int) -> bool:
    """Whether a block with so many repeats and parts to come has a place to pause."""
    match block.pause:
        case "any-time":
            return True
        case "between-segments":
            return repeats > 0 or parts > 0
        case "between-repeats":
            return repeats > 0
        case "never":
            return False
