"""The species of a cell, and the conditions (temperature, stirring) that set how they move."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from luggin.sim.cell.api import CellError, Floats
from luggin.sim.cell.couple import Couple
from luggin.sim.cell.diffusion import Transport
from luggin.sim.cell.memory import Memory, Track

ROOM = 298.15  # K, at which documents give their values
DIFFUSION_PER_KELVIN = 0.02  # in water, about room temperature; common practice, no source
KINEMATIC_VISCOSITY = 0.893e-6  # m2/s, water at 25 C, from memory


@dataclass(frozen=True)
class Species:
    """`start` in mol/m3, or in mol/m2 for an amount bound to the electrode.

    `dissolved` species can be added to; `bound` marks an amount that can't leave (film, monolayer, thin layer), which
    feels neither stirring nor temperature.
    `decay` (1/s): a first-order reaction in solution that takes away what the electrode has made.
    """

    name: str
    transport: Transport
    diffusion: float
    start: float
    decay: float = 0.0
    dissolved: bool = True
    bound: bool = False


class Solution:
    """`layer` (m) is the thickness of the steady diffusion layer while the stirrer runs.

    Stirring is surface renewal: what the electrode has spread is swept away at the rate D / layer^2, which
    leaves the mass-transfer coefficient D / layer (Danckwerts, Ind. Eng. Chem. 43 (1951) 1460, from memory) and has
    the merit that stirring may begin and end at any moment without the past being lost.
    """

    def __init__(self, couples: Sequence[tuple[Couple, Species, Species]], *, area: float, layer: float) -> None:
        self.species = [one for _, o, r in couples for one in (o, r)]
        self.couples = [couple for couple, _, _ in couples]
        self.temperature = ROOM
        self._area = area
        self._layer = layer
        self._stirred = False
        self._rotation = 0.0
        self.set_active(1.0)

    def set_active(self, share: float) -> None:
        """The share of the area at which couples react."""
        self._active = share
        for couple in self.couples:
            couple.set_surroundings(self.temperature, self._area * share)

    def set_temperature(self, kelvin: float) -> None:
        self.temperature = kelvin
        self.set_active(self._active)

    def stir(self, on: bool) -> None:
        self._stirred = on

    def rotate(self, rate: float) -> None:
        """Rotate the electrode at `rate` turns a second: Levich's layer, 1.61 D^(1/3) nu^(1/6) omega^(-1/2)."""
        self._rotation = rate

    def diffusion(self, species: Species) -> float:
        if species.bound:
            return species.diffusion
        return float(species.diffusion * np.exp(DIFFUSION_PER_KELVIN * (self.temperature - ROOM)))

    def loss(self, species: Species) -> float:
        """First-order loss (1/s) of what the electrode has spread of a species."""
        if species.bound:
            return species.decay
        diffusion = self.diffusion(species)
        loss = species.decay
        if self._stirred:
            loss += diffusion / self._layer**2
        if self._rotation > 0:
            omega = 2 * np.pi * self._rotation
            loss += diffusion / (1.61 * diffusion ** (1 / 3) * KINEMATIC_VISCOSITY ** (1 / 6) / omega**0.5) ** 2
        return loss

    def memory(self) -> Memory:
        """The memory of all couples under the present conditions."""
        tracks = [
            Track(
                (each.transport, each.diffusion, each.decay, each.bound),
                each.transport.modes(self.diffusion(each)),
                self.loss(each),
                each.bound,
            )
            for each in self.species
        ]
        return Memory(list(zip(tracks[::2], tracks[1::2], strict=True)))

    def start(self) -> Floats:
        """Bulk concentrations and amounts, O and R of each couple in turn."""
        return np.array([each.start for each in self.species])

    def place(self, name: str) -> int:
        """Index of a dissolved species. Raises CellError for a name that isn't in solution."""
        known = {each.name: k for k, each in enumerate(self.species) if each.dissolved}
        if name not in known:
            raise CellError(f"species {name!r} is not in this solution; it has {', '.join(known) or 'none'}")
        return known[name]
