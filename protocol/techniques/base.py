"""What every technique provides: its parameters, the blocks they compile to, and a ready example."""

from abc import abstractmethod
from dataclasses import dataclass
from typing import Literal

from luggin.protocol.program import Block, Frozen


class Measurement(Frozen):
    """Parameters of the measuring phase of a method; one subclass a technique."""

    phase: Literal["measure"] = "measure"

    @abstractmethod
    def blocks(self, phase: int) -> tuple[Block, ...]:
        """Compile to blocks, marked as the method's phase number `phase`."""

    @property
    @abstractmethod
    def starts_at(self) -> float | None:
        """Potential (V) at which the measurement starts, or None when it starts at open circuit or zero current."""


@dataclass(frozen=True)
class Technique:
    """A technique under its full name, with the trade's abbreviation as alias."""

    name: str
    alias: str
    summary: str
    parameters: type[Measurement]
    example: str
