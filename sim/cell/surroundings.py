"""What surrounds the electrode and changes slowly: the counter and reference electrodes, gas, wear."""

import math
from dataclasses import dataclass

import numpy as np

from luggin.sim.cell.api import Floats


@dataclass(frozen=True)
class Counter:
    """Counter electrode: an ohmic path to it (ohm) and a reaction of slope `scale` (V) about `rest` (V).

    The reaction follows a hyperbolic sine: little above `exchange` (A) costs nothing, each e-fold costs `scale`.
    """

    resistance: float
    rest: float
    exchange: float
    scale: float

    def voltage(self, measured: float, current: float) -> float:
        """Working against counter electrode (V)."""
        polarised = self.scale * math.asinh(current / (2 * self.exchange))
        return measured - self.rest + polarised + self.resistance * current


class Reference:
    """The error of the reference electrode: a steady drift (V/s) and a random walk (V per square root of s)."""

    def __init__(self, drift: float, wander: float, generator: np.random.Generator) -> None:
        self._drift, self._wander, self._generator = drift, wander, generator
        self.error = 0.0

    def advance(self, spans: Floats) -> Floats:
        """Its error (V) at the start of the first step and at the end of each, shape (n + 1,)."""
        moves = self._drift * spans
        if self._wander:
            moves = moves + self._wander * np.sqrt(spans) * self._generator.standard_normal(len(spans))
        errors: Floats = np.cumsum(np.concatenate([[self.error], moves]))
        self.error = float(errors[-1])
        return errors


@dataclass(frozen=True)
class Gas:
    """A dissolved gas: concentration against the air (mol/m3), and the times (s) of leaving and coming back."""

    index: int  # of the species
    saturated: float
    leaves_in: float
    returns_in: float

    def advance(self, now: float, span: float, purging: bool) -> float:
        aim, time = (0.0, self.leaves_in) if purging else (self.saturated, self.returns_in)
        return aim + (now - aim) * math.exp(-span / time)
