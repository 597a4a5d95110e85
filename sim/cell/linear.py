"""The small-signal impedance of an electrode in its present state, in closed form."""

import numpy as np

from luggin.sim.cell.api import Complexes, Floats
from luggin.sim.cell.electrode import Electrode
from luggin.sim.cell.solution import Solution


def impedance(electrode: Electrode, solution: Solution, frequency: Floats) -> Complexes:
    """Ohm at each frequency (Hz), linearised about the present potential and surface concentrations."""
    s = np.asarray(2j * np.pi * frequency, dtype=np.complex128)
    interface, state = electrode.interface, electrode.state
    admittance = s * interface.capacitance + interface.leak
    for branch in electrode.reactions.branches:
        admittance = admittance + branch.current(state.potential)[1]
    surface = electrode.surface()
    for k, couple in enumerate(solution.couples):
        spread = [
            species.transport.impedance(s + solution.loss(species), solution.diffusion(species))
            for species in solution.species[2 * k : 2 * k + 2]
        ]
        admittance = admittance + couple.admittance(state.potential, surface[2 * k], surface[2 * k + 1], *spread)
    if interface.capacitance == 0 and not np.any(admittance):
        return np.full(s.shape, np.inf + 0j)
    return np.asarray(interface.resistance + 1 / admittance, dtype=complex)
