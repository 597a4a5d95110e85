"""A redox couple O + n e- = R closing at the surface: Butler-Volmer kinetics or Nernst's equation.

With the surface concentrations linear in the unknown flux j (positive when O is made, that is anodic),

    c_O = open_O + yield_O j,   c_R = open_R - yield_R j,
    j = k0 [c_R exp((1 - alpha) n f (E - E0')) - c_O exp(-alpha n f (E - E0'))]

gives j in closed form at any potential E, and the current n F A j rises monotonically with E.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from luggin.sim.cell.api import Complexes

# Exact by definition: the constants that the SI fixes since 2019 (BIPM, SI Brochure, 9th edition).
AVOGADRO = 6.02214076e23  # 1/mol
FARADAY = AVOGADRO * 1.602176634e-19  # C/mol
GAS_CONSTANT = AVOGADRO * 1.380649e-23  # J/(mol K)
LARGEST_EXPONENT = 500.0
STANDARD_CONCENTRATION = 1000.0  # mol/m3


@dataclass(frozen=True)
class Kinetics:
    """`rate_constant` in m/s (dissolved) or 1/s (adsorbed); None: so fast that Nernst's equation holds."""

    formal_potential: float
    electrons: int
    rate_constant: float | None
    transfer_coefficient: float = 0.5


class Couple:
    """Mutable on purpose: `open_at` states the surface before each step, `current` is evaluated at trial potentials."""

    def __init__(self, kinetics: Kinetics, *, monolayer: float | None = None) -> None:
        """`monolayer` (mol/m2) makes R a solid deposit, of unit activity once it covers the electrode."""
        self.kinetics = kinetics
        self.monolayer = monolayer
        reversible = kinetics.rate_constant is None
        self._formal = kinetics.formal_potential
        self._alpha = 0.5 if reversible else kinetics.transfer_coefficient
        self._rate = 1.0 if kinetics.rate_constant is None else kinetics.rate_constant
        self._unity = 0.0 if reversible else 1.0
        self.flux = self.slope = 0.0
        self.set_surroundings(298.15, 1.0)
        self.open_at(0.0, 0.0, 0.0, 0.0, (0.0, 0.0, 0.0, 0.0))

    def set_surroundings(self, temperature: float, area: float) -> None:
        self._nf = self.kinetics.electrons * FARADAY / (GAS_CONSTANT * temperature)
        self.amperes = self.kinetics.electrons * FARADAY * area  # A per mol/(m2 s)

    def open_at(self, known: float, own: float, open_o: float, open_r: float, ends: Sequence[float]) -> None:
        """State the surface: concentrations without any flux (mol/m3), and what fluxes do to them (s/m).

        `ends` weighs the flux at the start and the unknown one at the end, for O and for R; the flux at the start is
        `known` plus `own` times the unknown one.
        """
        o0, o1, r0, r1 = ends
        self._yield_o, self._yield_r = o1 + own * o0, -(r1 + own * r0)
        self._open_o, self._open_r = open_o + o0 * known, open_r + r0 * known
        if self.monolayer is not None:
            bare = max(self._open_r, 0.0)
            share = _activity(max(bare - self._yield_r * self.flux, 0.0), self.monolayer)[0]
            self._open_r, self._yield_r = bare * share, self._yield_r * share

    def current(self, potential: float) -> tuple[float, float]:
        """Current (A) and its slope (S) at `potential`; also leaves the flux and its slope by potential behind."""
        x = self._nf * (potential - self._formal)
        x = min(max(x, -LARGEST_EXPONENT), LARGEST_EXPONENT)
        back = self._alpha
        forth = 1.0 - back
        oxidise, reduce = self._rate * math.exp(forth * x), self._rate * math.exp(-back * x)
        made, gone = self._open_r * oxidise, self._open_o * reduce
        hinder_r, hinder_o = self._yield_r * oxidise, self._yield_o * reduce
        total = self._unity + hinder_r + hinder_o
        self.flux = flux = (made - gone) / total
        self.slope = self._nf * (forth * made + back * gone - flux * (forth * hinder_r - back * hinder_o)) / total
        return self.amperes * flux, self.amperes * self.slope

    def admittance(
        self, potential: float, surface_o: float, surface_r: float, spread_o: Complexes, spread_r: Complexes
    ) -> Complexes:
        """Small-signal admittance (S) about a surface, given what a flux does to O and R (s/m, by frequency)."""
        x = self._nf * (potential - self._formal)
        x = min(max(x, -LARGEST_EXPONENT), LARGEST_EXPONENT)
        back, forth = self._alpha, 1.0 - self._alpha
        oxidise, reduce = self._rate * math.exp(forth * x), self._rate * math.exp(-back * x)
        if self.monolayer is not None:
            amount = max(surface_r, 0.0)
            share, slope = _activity(amount, self.monolayer)
            surface_r, spread_r = amount * share, spread_r * slope
        driven = self._nf * (forth * surface_r * oxidise + back * surface_o * reduce)
        return self.amperes * driven / (self._unity + oxidise * spread_r + reduce * spread_o)


def _activity(amount: float, monolayer: float) -> tuple[float, float]:
    """A deposit's activity, 1 - exp(-layers), as a concentration: divided by its amount, and its slope by amount."""
    layers = amount / monolayer
    unit = STANDARD_CONCENTRATION / monolayer
    return unit * (-math.expm1(-layers) / layers if layers > 1e-9 else 1.0), unit * math.exp(-layers)
