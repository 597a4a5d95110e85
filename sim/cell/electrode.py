"""One electrode in its solution: reactions and interface advanced through a straight piece of control."""

import math
from collections.abc import Sequence

import numpy as np

from luggin.sim.cell.api import Floats
from luggin.sim.cell.couple import Couple
from luggin.sim.cell.interface import Interface, Weights, balance, lean, weights
from luggin.sim.cell.memory import Memory, Shape
from luggin.sim.cell.mesh import FORGOTTEN, PER_ROOT, PER_ROOT_SMALL, SMALL, cuts
from luggin.sim.cell.reactions import Branch, Reactions
from luggin.sim.cell.state import Control, State, continues

STRIDE = 2e-3  # V: a ramp is cut so that no sub-step goes further
LEAP = 5e-3  # V: a sub-step whose interface went further is taken again in halves
MOST_HALVINGS = 6
MOST_PIECES = 10_000
MOST_CACHED = 1024
DIFFUSING = 0.1  # diffusion itself damps what would ring; the leaning, less exact, may begin later
TRACE = 1e-6  # share of the other form in a solution of one


class Electrode:
    def __init__(
        self,
        interface: Interface,
        couples: Sequence[Couple],
        branches: Sequence[Branch],
        memory: Memory,
        bulk: Floats,
    ) -> None:
        """At rest; `bulk` has O and R of each couple in turn."""
        self.interface = interface
        self.reactions = Reactions(couples, branches)
        self._memory = memory
        self._weights: tuple[dict[float, Weights], dict[float, Weights]] = ({}, {})  # under current, potential
        pits = self.reactions.pits
        self._instant = not couples and not pits and (not branches or interface.capacitance == 0)
        idle = [0.0] * len(couples)
        self.state = State(
            modes=memory.empty(),
            potential=self._rest_potential(bulk),
            fluxes=idle,
            means=idle,
            bulk=bulk,
            pits=[0.0] * len(pits),
        )

    def _rest_potential(self, bulk: Floats) -> float:
        """Where nothing flows. Each couple is given traces of what it lacks, without which there is no such place."""
        couples = self.reactions.couples
        for couple, (o, r) in zip(couples, bulk.reshape(-1, 2).tolist(), strict=True):
            trace = TRACE * (o + r) or 1.0
            couple.open_at(0.0, 0.0, o + trace, r + trace, (0.0, 1.0, 0.0, -1.0))
        start = sum(couple.kinetics.formal_potential for couple in couples) / max(1, len(couples))
        potential, rest = balance(self.reactions.weighted, self.interface.leak, 0.0, start)
        return potential + rest

    @property
    def memory(self) -> Memory:
        return self._memory

    @memory.setter
    def memory(self, memory: Memory) -> None:
        """Change how species move; what they have spread so far stays."""
        self._memory = memory
        self.state.since = self.state.previous = 0.0

    def surface(self) -> list[float]:
        """Concentrations (mol/m3) and amounts (mol/m2) at the surface: O and R of each couple in turn."""
        state, memory = self.state, self._memory
        fluxes = np.repeat(state.fluxes, 2)
        surface: list[float] = (memory.weights @ state.modes + memory.immediate * fluxes + state.bulk).tolist()
        return surface

    def step(self, control: Control, span: float, first: float, last: float) -> None:
        """Advance by one straight piece of `span` seconds."""
        state = self.state
        gradient = (last - first) / span
        if self._instant:
            self._substep(control, span, first, last, Shape.LEVEL, math.inf)
        else:
            potentiostatic = control is Control.POTENTIAL
            jump = control is not state.control or not continues(control, state.level, first)
            if jump or (potentiostatic and abs(gradient - state.gradient) * span > STRIDE):
                state.since = state.previous = 0.0
            strides = abs(last - first) / STRIDE - 1e-9 if potentiostatic else 0.0
            pieces = min(max(1, math.ceil(strides)), MOST_PIECES)
            if state.since > FORGOTTEN * span:
                self._glide(control, span, first, last, pieces)
            else:
                self._descend(control, span, first, last, pieces, jump)
        state.control, state.level, state.gradient = control, last, gradient

    def _glide(self, control: Control, span: float, first: float, last: float, pieces: int) -> None:
        """Equal sub-steps, any jump being long past."""
        if pieces == 1 and self._substep(control, span, first, last, Shape.LINE, LEAP):
            return
        charge, rise = 0.0, last - first
        for k in range(pieces):
            begin, end = first + rise * k / pieces, first + rise * (k + 1) / pieces
            charge += self._halve(control, span / pieces, begin, end, 0)
        self.state.charge = charge

    def _halve(self, control: Control, span: float, first: float, last: float, halvings: int) -> float:
        """Take one sub-step, or, where it proves too long, its halves. Returns the charge."""
        if self._substep(control, span, first, last, Shape.LINE, LEAP if halvings < MOST_HALVINGS else math.inf):
            return self.state.charge
        middle = (first + last) / 2
        charge = self._halve(control, span / 2, first, middle, halvings + 1)
        return charge + self._halve(control, span / 2, middle, last, halvings + 1)

    def _descend(self, control: Control, span: float, first: float, last: float, pieces: int, jump: bool) -> None:
        """Sub-steps that grow with the time since the jump."""
        state, interface = self.state, self.interface
        potentiostatic = control is Control.POTENTIAL
        lag = interface.resistance * interface.capacitance if potentiostatic else 0.0
        shape, per_root = Shape.ROOT, PER_ROOT
        if state.since == 0:
            free = interface.capacitance == 0 or (potentiostatic and interface.resistance == 0)
            shape = Shape.LINE
            if jump and free:  # the potential of the interface jumps too
                shape = Shape.BURST if potentiostatic else Shape.LEVEL
            if potentiostatic and state.control is control and abs(first - state.level) < SMALL:
                per_root = PER_ROOT_SMALL
        charge, start = 0.0, 0.0
        for end in cuts(state.since, span, per_root, lag / 8, span / pieces):
            begin, stop = (first + (last - first) * time / span for time in (start, end))
            self._substep(control, end - start, begin, stop, shape, math.inf)
            charge += state.charge
            shape, start = Shape.ROOT, end
        state.charge = charge

    def _substep(self, control: Control, span: float, first: float, last: float, shape: Shape, leap: float) -> bool:
        """Solve for the end of a sub-step. When the interface would move further than `leap`, change nothing."""
        state, reactions, couples = self.state, self.reactions, self.reactions.couples
        starts = self._starts(control, span, shape)
        if couples:
            step = self._memory.step(shape, span, state.since)
            ends = (np.dot(step.recall, state.modes) + state.bulk).tolist()
            for k, (couple, (known, own)) in enumerate(zip(couples, starts, strict=False)):
                couple.open_at(known, own, ends[2 * k], ends[2 * k + 1], step.ends[k])
            means = step.mean
        else:
            means = []
        for pit, level in zip(reactions.pits, state.pits, strict=True):
            pit.level = level
        even = [0.5, 0.5] if shape is Shape.LINE or shape is Shape.ROOT else [0.0, 1.0]
        potential, rest = self._solve(control, span, first, last, [*means, even], starts)
        way = potential - state.potential
        if abs(way) > leap:
            return False
        reaction = passed = 0.0
        if couples:
            new = reactions.fluxes(rest)
            old = [known + own * flux for (known, own), flux in zip(starts, new, strict=False)]
            modes = step.decay * state.modes
            modes += np.dot(step.load, np.array(old + new))
            averages = []
            for couple, (w0, w1), j0, j1 in zip(couples, means, old, new, strict=True):
                average = w0 * j0 + w1 * j1
                averages.append(average)
                passed += couple.amperes * average
                reaction += couple.amperes * j1
            state.modes, state.fluxes, state.means = modes, new, averages
        if reactions.branches:
            other = reactions.other(rest)
            known, own = starts[-1]
            state.other, state.other_mean = other, even[0] * (known + own * other) + even[1] * other
            passed += state.other_mean
            reaction += other
        if reactions.pits:
            state.pits = [pit.metal.grown(potential, pit.level, span) for pit in reactions.pits]
        self._account(control, span, first, last, way, reaction, passed * span)
        state.potential, state.slope, state.drift = potential, reactions.slope(), way / span
        state.middle = (math.sqrt(state.since) + math.sqrt(state.since + span)) / 2
        state.since += span
        state.previous = span
        return True

    def _starts(self, control: Control, span: float, shape: Shape) -> list[tuple[float, float]]:
        """The flux at the start of each couple, and the current of the branches there, as (known, share of the end).

        As a rule it is what it was. What is bound to the electrode, and any reaction much faster than the step, would
        ring then; there the start leans towards a line through the mean of the previous sub-step and the end.
        """
        state, interface, memory = self.state, self.interface, self._memory
        delayed = interface.capacitance > 0 and (control is Control.CURRENT or interface.resistance > 0)
        stiffness = span * state.slope / interface.capacitance if delayed else 0.0
        leaning = lean(DIFFUSING * stiffness) if stiffness else 0.0
        line = 2 * span / (2 * span + state.previous) if state.previous else 0.0
        curve = line
        if shape is Shape.ROOT and state.previous:
            stop = 1 / math.sqrt(state.since + span)
            curve = (1 / math.sqrt(state.since) - stop) / (1 / state.middle - stop)
        starts = []
        for flux, mean, bound, still in zip(state.fluxes, state.means, memory.bound, memory.still, strict=True):
            own = 1.0 if still or (bound and shape is Shape.LINE) else leaning
            back = line if still else curve
            starts.append(((1 - own) * flux + own * back * mean, own * (1 - back)))
        leaning = lean(stiffness) if stiffness else 0.0
        starts.append(((1 - leaning) * state.other + leaning * line * state.other_mean, leaning * (1 - line)))
        return starts

    def _solve(
        self,
        control: Control,
        span: float,
        first: float,
        last: float,
        means: list[list[float]],
        starts: list[tuple[float, float]],
    ) -> tuple[float, float]:
        """Potential of the interface at the end, and how far it is from the last potential tried."""
        state, reactions = self.state, self.reactions
        potentiostatic = control is Control.POTENTIAL
        if potentiostatic and self.interface.resistance == 0:
            reactions.weighted(last)
            return last, 0.0
        cache = self._weights[potentiostatic]
        found = cache.get(span)
        if found is None:
            if len(cache) >= MOST_CACHED:
                cache.clear()
            found = cache[span] = weights(self.interface, span, potentiostatic)
        admittance, drive = 0.0, last
        if not found.balanced:
            whole = found.reaction0 + found.reaction1
            drive = found.keep * state.potential + found.drive0 * first + found.drive1 * last
            for k, ((w0, _), (known, own)) in enumerate(zip(means, starts, strict=True)):
                at0 = 2 * w0 * found.reaction0
                drive -= at0 * known * (reactions.couples[k].amperes if k < len(state.fluxes) else 1.0)
                reactions.shares[k] = 1 - at0 * (1 - own) / whole
            if reactions.single:
                whole *= reactions.shares[0]
            admittance = 1 / whole
            drive *= admittance
        potential, rest = balance(reactions.weighted, admittance, drive, state.potential + state.drift * span)
        return potential + rest, rest

    def _account(
        self, control: Control, span: float, first: float, last: float, way: float, reaction: float, passed: float
    ) -> None:
        """Current and measured potential at the end, and the charge that went through the cell in the sub-step."""
        state, interface = self.state, self.interface
        potential = state.potential + way
        resistance = interface.resistance
        if control is Control.CURRENT:
            state.current, state.measured = last, potential + resistance * last
            state.charge = span * (first + last) / 2
            return
        state.measured = last
        gained = interface.capacitance * way + passed
        applied = span * (first + last) / 2
        if resistance > 0:
            state.current = (last - potential) / resistance
            state.charge = (interface.leak * applied + gained) / (1 + interface.leak * resistance)
        else:
            charging = interface.capacitance * (last - first) / span
            state.current = charging + interface.leak * potential + reaction
            state.charge = gained + interface.leak * applied
