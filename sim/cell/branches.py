"""Reactions that depend on the potential alone: diodes of a dummy cell, Tafel lines, a metal that pits."""

import math
from dataclasses import dataclass

LARGEST_EXPONENT = 300.0


def _exp(x: float) -> float:
    return math.exp(min(x, LARGEST_EXPONENT))


@dataclass(frozen=True)
class DiodePair:
    """Two antiparallel diodes. `saturation` in A; `scale` in V is ideality times kT/e."""

    saturation: float
    scale: float

    def current(self, potential: float) -> tuple[float, float]:
        forward, backward = _exp(potential / self.scale), _exp(-potential / self.scale)
        return (
            self.saturation * (forward - backward),
            self.saturation / self.scale * (forward + backward),
        )


@dataclass(frozen=True)
class TafelPair:
    """An anodic and a cathodic Tafel line that meet at `rest` (V) with `exchange` (A); slopes in V per decade.

    A freely corroding metal (then rest and exchange are corrosion potential and current), or the two
    edges of a solvent's window.
    """

    rest: float
    exchange: float
    anodic_slope: float
    cathodic_slope: float

    def current(self, potential: float) -> tuple[float, float]:
        anodic, cathodic = math.log(10) / self.anodic_slope, math.log(10) / self.cathodic_slope
        away = potential - self.rest
        forth, back = self.exchange * _exp(anodic * away), self.exchange * _exp(-cathodic * away)
        return forth - back, anodic * forth + cathodic * back


@dataclass(frozen=True)
class Passive:
    """A Tafel pair whose anodic line ends in a passive current; pits open a second way through the film.

    `level` runs from 0 (no pits) to 1 (grown). Above `pitting` it grows from a few nuclei like a logistic curve, below
    `repassivation` it dies away, in between it stays: the loop of a cyclic polarisation curve.
    """

    corrosion: TafelPair
    passive_current: float
    pitting: float
    repassivation: float
    resistance: float  # ohm, of grown pits
    growth_time: float  # s

    NUCLEI = 1e-4

    def current(self, potential: float, level: float) -> tuple[float, float]:
        line = self.corrosion
        anodic, cathodic = math.log(10) / line.anodic_slope, math.log(10) / line.cathodic_slope
        away = potential - line.rest
        hindered = 1 / (1 / self.passive_current + 1 / line.exchange * _exp(-anodic * away))
        forth_slope = anodic * hindered * (1 - hindered / self.passive_current)
        back = line.exchange * _exp(-cathodic * away)
        current, slope = hindered - back, forth_slope + cathodic * back
        if potential > self.repassivation:
            current += level * (potential - self.repassivation) / self.resistance
            slope += level / self.resistance
        return current, slope

    def grown(self, potential: float, level: float, span: float) -> float:
        """The level after `span` seconds at a potential."""
        if potential < self.repassivation:
            return level * math.exp(-span / self.growth_time)
        if potential <= self.pitting:
            return level
        nuclei = self.NUCLEI
        odds = (level + nuclei) / max(1 - level, 1e-12) * _exp((1 + nuclei) * span / self.growth_time)
        return (odds - nuclei) / (1 + odds)


class Pits:
    """A passive metal with the present level of its pits, seen as a branch."""

    def __init__(self, metal: Passive) -> None:
        self.metal = metal
        self.level = 0.0

    def current(self, potential: float) -> tuple[float, float]:
        return self.metal.current(potential, self.level)
