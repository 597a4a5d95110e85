"""From a cell document to a cell that runs."""

import math
from collections.abc import Mapping

import numpy as np

from luggin.sim.cell import document as doc
from luggin.sim.cell.api import Floats
from luggin.sim.cell.branches import DiodePair, Passive, Pits, TafelPair
from luggin.sim.cell.cell import SimulatedCell
from luggin.sim.cell.couple import Couple, Kinetics
from luggin.sim.cell.diffusion import Adsorbed, Film, Hemisphere, Microdisk, Plane, Transport
from luggin.sim.cell.electrode import Electrode
from luggin.sim.cell.interface import Interface
from luggin.sim.cell.memory import Memory
from luggin.sim.cell.reactions import Branch
from luggin.sim.cell.solution import Solution, Species
from luggin.sim.cell.surroundings import Counter, Gas, Reference

HOUR = 3600.0


def build(
    document: doc.CellDocument, generator: np.random.Generator, concentrations: Mapping[str, float], run: int = 0
) -> SimulatedCell:
    """`concentrations` (mol/m3) replaces those of the document, by species; then comes what was added before `run`."""
    transport, area = _electrode(document.electrode)
    solution = Solution(
        [_couple(each, transport) for each in document.couples], area=area, layer=document.stirring.layer
    )
    bulk = solution.start()
    for name, value in concentrations.items():
        bulk[solution.place(name)] = value
    _add(document, run, solution, bulk)
    electrode = Electrode(
        _interface(document.interface),
        solution.couples,
        [_branch(each) for each in document.reactions],
        solution.memory(),
        bulk,
    )
    return SimulatedCell(
        electrode,
        solution,
        counter=_counter(document.counter),
        reference=Reference(document.reference.drift, document.reference.wander / math.sqrt(HOUR), generator),
        gas=_gas(document.gas, solution, bulk),
        half_life=document.ageing.half_life if document.ageing else None,
        partner=_partner(document.partner),
    )


def _add(document: doc.CellDocument, run: int, solution: Solution, bulk: Floats) -> None:
    """Mix in what the operator has added before this run: volumes add up, and so do amounts."""
    volume = document.volume or 0.0
    dissolved = [place for place, each in enumerate(solution.species) if each.dissolved]
    for addition in document.additions:
        if addition.after_run < run:
            poured = np.zeros_like(bulk)
            for name, value in addition.concentrations.items():
                poured[solution.place(name)] = value
            mixed = (bulk * volume + poured * addition.volume) / (volume + addition.volume)
            bulk[dissolved] = mixed[dissolved]
            volume += addition.volume


def _interface(model: doc.Interface) -> Interface:
    return Interface(model.series_resistance, model.double_layer, 1 / (model.leak_resistance or math.inf))


def _partner(model: doc.Partner | None) -> Electrode | None:
    if model is None:
        return None
    nothing = Memory([])
    branches = [_branch(each) for each in model.reactions]
    return Electrode(_interface(model.interface), [], branches, nothing, np.empty(0))


def _counter(model: doc.Counter | None) -> Counter | None:
    if model is None:
        return None
    return Counter(model.resistance, model.rest_potential, model.exchange_current, model.scale)


def _gas(model: doc.Gas | None, solution: Solution, bulk: Floats) -> Gas | None:
    if model is None:
        return None
    place = solution.place(model.species)
    return Gas(place, float(bulk[place]), model.leaves_in, model.returns_in)


def _electrode(
    electrode: doc.Plane | doc.Hemisphere | doc.Microdisk | doc.ThinLayer | None,
) -> tuple[Transport, float]:
    """How the solution reaches the electrode, and its area (m2)."""
    match electrode:
        case doc.Plane(area=area):
            return Plane(), area
        case doc.Hemisphere(radius=radius):
            return Hemisphere(radius), 2 * math.pi * radius**2
        case doc.Microdisk(radius=radius):
            return Microdisk(radius), math.pi * radius**2
        case doc.ThinLayer(area=area, thickness=thickness):
            return Film(thickness), area
        case None:
            return Plane(), 1.0


def _couple(model: doc.Couple, transport: Transport) -> tuple[Couple, Species, Species]:
    kinetics = Kinetics(
        model.formal_potential,
        model.electrons,
        model.rate_constant if model.surface_rate_constant is None else model.surface_rate_constant,
        model.transfer_coefficient,
    )
    monolayer = model.reduced.monolayer if isinstance(model.reduced, doc.Deposit) else None
    return (
        Couple(kinetics, monolayer=monolayer),
        _species(model.oxidised, transport),
        _species(model.reduced, transport),
    )


def _species(model: doc.Dissolved | doc.Film | doc.Adsorbed | doc.Deposit, transport: Transport) -> Species:
    match model:
        case doc.Dissolved():
            return Species(
                model.name,
                transport,
                model.diffusion,
                model.concentration,
                decay=model.decay,
                bound=isinstance(transport, Film),
            )
        case doc.Film():
            film = Film(model.thickness)
            return Species(model.name, film, model.diffusion, model.concentration, dissolved=False, bound=True)
        case doc.Adsorbed() | doc.Deposit():
            return Species(model.name, Adsorbed(), 0.0, model.amount, dissolved=False, bound=True)


def _branch(model: doc.Diodes | doc.Tafel | doc.Passive) -> Branch:
    match model:
        case doc.Diodes():
            return DiodePair(model.saturation_current, model.scale)
        case doc.Tafel():
            return TafelPair(model.rest_potential, model.exchange_current, model.anodic_slope, model.cathodic_slope)
        case doc.Passive():
            corrosion = TafelPair(
                model.corrosion_potential, model.corrosion_current, model.anodic_slope, model.cathodic_slope
            )
            return Pits(
                Passive(
                    corrosion,
                    model.passive_current,
                    model.pitting_potential,
                    model.repassivation_potential,
                    model.pit_resistance,
                    model.growth_time,
                )
            )
