"""What an electrode carries on from one step to the next."""

from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import Enum
from operator import attrgetter

from luggin.sim.cell.api import Floats

SAME = 1e-6  # V, or this share of a current: a smaller discontinuity is none


class Control(Enum):
    POTENTIAL = "potential"
    CURRENT = "current"


def continues(control: Control, level: float, first: float) -> bool:
    """Whether a control at `level` goes on at `first` without a jump."""
    scale = 1.0 if control is Control.POTENTIAL else max(abs(first), abs(level))
    return abs(first - level) <= SAME * scale


@dataclass(slots=True)
class State:
    """What it refers to is never changed in place, so that `save` is cheap."""

    modes: Floats
    potential: float  # V, across the interface
    fluxes: list[float]  # mol/(m2 s), one a couple
    means: list[float]  # the same, averaged over the last sub-step
    bulk: Floats  # mol/m3 or mol/m2: O and R of each couple
    pits: list[float]  # level of each pitting metal
    other: float = 0.0  # A, of the reactions without a memory
    other_mean: float = 0.0  # the same, averaged over the last sub-step
    slope: float = 0.0  # S, of the reactions
    drift: float = 0.0  # V/s, of the interface
    measured: float = 0.0  # V
    current: float = 0.0  # A
    charge: float = 0.0  # C, passed in the last step
    control: Control | None = None
    level: float = 0.0  # of the controlled quantity
    gradient: float = 0.0  # of the controlled quantity
    since: float = 0.0  # s, after the last jump
    middle: float = 0.0  # s^1/2, in the middle of the last sub-step
    previous: float = 0.0  # s, length of the last sub-step; 0: nothing is known of it

    def save(self) -> tuple[object, ...]:
        """A way back to this state."""
        return _everything(self)

    def restore(self, saved: tuple[object, ...]) -> None:
        for name, value in zip(_NAMES, saved, strict=True):
            setattr(self, name, value)


_NAMES = tuple(each.name for each in fields(State))
_everything: Callable[[State], tuple[object, ...]] = attrgetter(*_NAMES)
