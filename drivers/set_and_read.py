"""What an instrument offers that only sets and reads: no programme, no clock, no memory of points.

Whoever can write these few calls has a driver: `luggin.drivers.stepped` times the program from the host.  Calls come
one after the other, with two exceptions: `off` comes at any time and must not wait for another call, and `look` may
come between two others.  Each call is bounded by a timeout of its own.  Errors are those of `luggin.drivers.errors`.
"""

import math
from dataclasses import dataclass
from typing import Protocol

from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Cell, Receipt
from luggin.protocol.program import Control, Program


@dataclass(frozen=True)
class Measured:
    """One reading, in SI units, currents positive when anodic; what is not measured is not-a-number.

    `cell` is what a read-back said together with the reading.  `flags` (of `luggin.protocol.points.Flag`) say
    what the instrument knows of its worth.
    """

    potential: float
    current: float
    cell: Cell
    current_range: float = math.nan
    cell_voltage: float = math.nan
    temperature: float = math.nan
    flags: int = 0


class SetAndRead(Protocol):
    """An instrument that was connected, and has answered."""

    @property
    def capability(self) -> Capability:
        """With `host_timed`, and without a dead-man timer."""
        ...

    async def prepare(self, program: Program) -> None:
        """Choose range and compliance for this program while the cell is off; energises nothing."""
        ...

    async def apply(self, control: Control | None, level: float) -> None:
        """Apply a potential (V) or a current (A), or with None leave the cell to itself; returns once it stands.

        Closes the cell if it is open: first what is controlled, the level (of a current: zero) and the range, then the
        relay.
        """
        ...

    async def measure(self) -> Measured: ...

    async def look(self) -> Cell:
        """What a read-back says of the cell, now."""
        ...

    async def off(self) -> Receipt:
        """Let the cell go at once, overtaking every other call, and read back.  Legal always, may be repeated."""
        ...
