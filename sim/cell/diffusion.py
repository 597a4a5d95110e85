"""How the concentration at the surface answers a flux: each geometry as a sum of decaying modes.

A species that enters the solution with flux j changes its surface concentration by the convolution of j with a
kernel whose Laplace transform is the diffusion impedance Z(s), in s/m. Every geometry here has
Z(s) = integral of rho(lambda) / (s + lambda) over the decay rates lambda, so that the convolution becomes a handful of
first-order memories, one a rate: exact in time for any step, bounded, and without a grid in space.

    plane       1 / sqrt(s D)                          rho = 1 / (pi sqrt(lambda D))
    hemisphere  1 / (sqrt(s D) + D / r)                rho = sqrt(lambda) / (pi sqrt(D) (lambda + D / r^2))
    microdisk   r / (D Y(r sqrt(s / D)))               rho from the jump of Z across its cut
    film        coth(l sqrt(s / D)) / sqrt(s D)        poles at D (k pi / l)^2, no flux through the far side
    adsorbed    1 / s                                  the integral alone; amounts in mol/m2
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from luggin.sim.cell.api import Complexes, Floats

SLOWEST, FASTEST = 1e-7, 2e8  # 1/s: what decays slower never decays, what decays faster is immediate
SPACING = 0.75  # in ln(rate): the trapezoidal rule is then good to 5e-6
EXPLICIT_POLES = 10


@dataclass(frozen=True)
class Modes:
    """Decay rates (1/s), their weights, and the share of the answer that is immediate (s/m)."""

    rates: Floats
    weights: Floats
    immediate: float


class Transport(Protocol):
    """One geometry. `diffusion` is the coefficient in m2/s."""

    def modes(self, diffusion: float) -> Modes: ...

    def impedance(self, s: Complexes, diffusion: float) -> Complexes:
        """The closed form of Z(s), by which the modes can be judged."""
        ...


def _complex(values: object) -> Complexes:
    return np.asarray(values, dtype=np.complex128)


def _spectrum(density: Callable[[Floats], Floats]) -> Modes:
    """Trapezoidal rule in ln(rate); both tails are summed far out and lumped at rate zero and at once."""
    centre = round(math.log(SLOWEST) / SPACING), round(math.log(FASTEST) / SPACING)
    steps = np.arange(centre[0] - 80, centre[1] + 81)
    rates = np.exp(SPACING * steps)
    weights = SPACING * rates * density(rates)
    slow, fast = steps < centre[0], steps > centre[1]
    kept = ~(slow | fast)
    return Modes(
        rates=np.concatenate([[0.0], rates[kept]]),
        weights=np.concatenate([[weights[slow].sum()], weights[kept]]),
        immediate=float((weights[fast] / rates[fast]).sum()),
    )


@dataclass(frozen=True)
class Plane:
    def modes(self, diffusion: float) -> Modes:
        return _spectrum(lambda rate: 1 / (np.pi * np.sqrt(rate * diffusion)))

    def impedance(self, s: Complexes, diffusion: float) -> Complexes:
        return _complex(1 / np.sqrt(s * diffusion))


@dataclass(frozen=True)
class Hemisphere:
    radius: float

    def modes(self, diffusion: float) -> Modes:
        turnover = diffusion / self.radius**2
        return _spectrum(lambda rate: np.sqrt(rate / diffusion) / (np.pi * (rate + turnover)))

    def impedance(self, s: Complexes, diffusion: float) -> Complexes:
        return _complex(1 / (np.sqrt(s * diffusion) + diffusion / self.radius))


@dataclass(frozen=True)
class Microdisk:
    """Inlaid disk, taken as uniformly accessible: right at short and at long times for one surface concentration.

    The mean flux of an inlaid disk is known as a series at either end (Aoki & Osteryoung, J. Electroanal. Chem.
    125 (1981) 315; Mahon & Oldham, Anal. Chem. 77 (2005) 6100; both from memory). In q = radius sqrt(s / D) the
    admittance goes from 4/pi + (8/pi^2) q to q + 1 + 1/(4 q). The quotient below has both limits, and its one free
    number is chosen so that the current after a step stays within 0.15 % of the published series in between.
    """

    radius: float

    @staticmethod
    def _admittance(q: Complexes) -> Complexes:
        excess, free = 4 / np.pi - 1, 0.45
        slope = free + (1 - 8 / np.pi**2) / excess
        return q + 1 + excess * (1 + free * q) / (1 + slope * q + 4 * excess * free * q * q)

    def modes(self, diffusion: float) -> Modes:
        def density(rate: Floats) -> Floats:
            across: Floats = np.imag(1 / self._admittance(_complex(1j * self.radius * np.sqrt(rate / diffusion))))
            return -self.radius / (np.pi * diffusion) * across

        return _spectrum(density)

    def impedance(self, s: Complexes, diffusion: float) -> Complexes:
        return self.radius / (diffusion * self._admittance(_complex(self.radius * np.sqrt(s / diffusion))))


@dataclass(frozen=True)
class Film:
    """A layer of finite thickness whose far side lets nothing through: thin-layer cell, mercury film, polymer."""

    thickness: float

    def modes(self, diffusion: float) -> Modes:
        """The slowest poles one by one; the dense ones above them by Gauss-Legendre panels in ln(rate).

        The number at which the sum becomes an integral is chosen so that the steady value is exact.
        """
        unit = diffusion * (np.pi / self.thickness) ** 2
        numbers = np.arange(1, EXPLICIT_POLES + 1)
        edge = 1 / (np.pi**2 / 6 - (1 / numbers**2).sum())
        nodes, shares = np.polynomial.legendre.leggauss(3)
        panels = max(1, math.ceil(math.log(FASTEST / (unit * edge**2)) / (2 * SPACING)))
        starts = 2 * SPACING * np.arange(panels)
        dense = unit * edge**2 * np.exp((starts[:, None] + SPACING * (1 + nodes)).ravel())
        poles_per_node = SPACING * np.tile(shares, panels) * np.sqrt(dense / unit) / 2
        last = edge * math.exp(SPACING * panels)
        return Modes(
            rates=np.concatenate([[0.0], unit * numbers**2, dense]),
            weights=np.concatenate([[1.0], np.full(EXPLICIT_POLES, 2.0), 2 * poles_per_node]) / self.thickness,
            immediate=2 / (self.thickness * unit * last),
        )

    def impedance(self, s: Complexes, diffusion: float) -> Complexes:
        root = np.sqrt(s * diffusion)
        return _complex(1 / (root * np.tanh(root * self.thickness / diffusion)))


@dataclass(frozen=True)
class Adsorbed:
    """A species that stays where it is made; its "concentration" is an amount in mol/m2."""

    def modes(self, diffusion: float) -> Modes:
        return Modes(np.zeros(1), np.ones(1), 0.0)

    def impedance(self, s: Complexes, diffusion: float) -> Complexes:
        return 1 / s
