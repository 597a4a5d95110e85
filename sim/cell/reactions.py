"""Everything that reacts at one interface, in parallel, as one curve of current against potential."""

from collections.abc import Sequence
from typing import Protocol

from luggin.sim.cell.branches import Pits
from luggin.sim.cell.couple import Couple


class Branch(Protocol):
    """A reaction without a memory: current (A) and slope (S) at a potential across the interface, never falling."""

    def current(self, potential: float) -> tuple[float, float]: ...


class Reactions:
    """Mutable: `shares` says by how much each couple (and, last, the branches together) counts in `weighted`."""

    def __init__(self, couples: Sequence[Couple], branches: Sequence[Branch]) -> None:
        self.couples = tuple(couples)
        self.branches = tuple(branches)
        self.pits = [branch for branch in branches if isinstance(branch, Pits)]
        self.shares = [1.0] * (len(couples) + 1)
        self._other = self._other_slope = 0.0
        self.single = len(couples) == 1 and not branches
        self.weighted = self.couples[0].current if self.single else self._weighted

    def _weighted(self, potential: float) -> tuple[float, float]:
        """Current (A) and slope (S) at a potential, each part times its share."""
        current = slope = 0.0
        for share, couple in zip(self.shares, self.couples, strict=False):
            one, rise = couple.current(potential)
            current += share * one
            slope += share * rise
        if self.branches:
            self._other = self._other_slope = 0.0
            for branch in self.branches:
                one, rise = branch.current(potential)
                self._other += one
                self._other_slope += rise
            current += self.shares[-1] * self._other
            slope += self.shares[-1] * self._other_slope
        return current, slope

    def fluxes(self, rest: float) -> list[float]:
        """The flux of each couple (mol/(m2 s)) at `rest` V from the last potential looked at."""
        return [couple.flux + couple.slope * rest for couple in self.couples]

    def other(self, rest: float) -> float:
        """The current (A) of the branches, likewise."""
        return self._other + self._other_slope * rest

    def slope(self) -> float:
        """The slope (S) of all at the last potential looked at."""
        return sum((couple.amperes * couple.slope for couple in self.couples), self._other_slope)
