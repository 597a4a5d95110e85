"""One electrode in its solution: reactions and interface advanced through a straight piece of control."""

import math
from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np

from luggin.sim.cell.api import Floats
from luggin.sim.cell.branches import Pits
from luggin.sim.cell.couple import Couple
from luggin.sim.cell.interface import Interface, Weights, balance, lean, weights
from luggin.sim.cell.memory import Memory, Shape
from luggin.sim.cell.mesh import FORGOTTEN, PER_ROOT, PER_ROOT_SMALL, SMALL, cuts
from luggin.sim.cell.state import Control, State, continues

STRIDE = 2e-3  # V: a ramp is cut so that no sub-step goes further
LEAP = 5e-3  # V: a sub-step whose interface went further is taken again in halves
MOST_HALVINGS = 6
MOST_PIECES = 10_000
MOST_CACHED = 1024
TRACE = 1e-6  # share of the other form in a solution of one


class Branch(Protocol):
    """A reaction without a memory: current (A) and slope (S) at a potential across the interface, never falling."""

    def current(self, potential: float) -> tuple[float, float]: ...


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
        self.branches = tuple(branches)
        self._couples = tuple(couples)
        self._memory = memory
        self._reactions = self._closure()
        self._weights: tuple[dict[float, Weights], dict[float, Weights]] = ({}, {})  # under current, potential
        self._pits = [branch for branch in branches if isinstance(branch, Pits)]
        self._instant = not couples and not self._pits and (not branches or interface.capacitance == 0)
        idle = [0.0] * len(couples)
        self.state = State(
            modes=memory.empty(),
            potential=self._rest_potential(bulk),
            fluxes=idle,
            means=idle,
            bulk=bulk,
            pits=[0.0] * len(self._pits),
        )

    def _rest_potential(self, bulk: Floats) -> float:
        """Where nothing flows. Each couple is given traces of what it lacks, without which there is no such place."""
        for couple, (o, r) in zip(self._couples, bulk.reshape(-1, 2).tolist(), strict=True):
            trace = TRACE * (o + r) or 1.0
            couple.open_at(0.0, 0.0, o + trace, r + trace, (0.0, 1.0, 0.0, 0.0, -1.0, 0.0))
        start = sum(couple.kinetics.formal_potential for couple in self._couples) / max(1, len(self._couples))
        potential, _, _, rest = balance(self._reactions, self.interface.leak, 0.0, start)
        return potential + rest

    def _closure(self) -> Callable[[float], tuple[float, float]]:
        """Current and slope of everything that reacts, as a function of potential."""
        parts = [part.current for part in (*self._couples, *self.branches)]
        if len(parts) == 1:
            return parts[0]

        def together(potential: float) -> tuple[float, float]:
            current = slope = 0.0
            for part in parts:
                one, rise = part(potential)
                current += one
                slope += rise
            return current, slope

        return together

    @property
    def memory(self) -> Memory:
        return self._memory

    @memory.setter
    def memory(self, memory: Memory) -> None:
        """Change how species move; what they have spread so far stays."""
        self._memory = memory
        self.state.since = 0.0

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
                state.since = 0.0
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
        state, couples = self.state, self._couples
        fluxes, means = state.fluxes, state.means
        if couples:
            step = self._memory.step(shape, span, state.since, state.previous)
            ends = (np.dot(step.recall, state.modes) + state.bulk).tolist()
            for k, couple in enumerate(couples):
                couple.open_at(fluxes[k], means[k], ends[2 * k], ends[2 * k + 1], step.ends[k])
        for pit, level in zip(self._pits, state.pits, strict=True):
            pit.level = level
        potential, reaction, slope, rest = self._solve(control, span, first, last)
        way = potential - state.potential
        if abs(way) > leap:
            return False
        passed, other = 0.0, reaction
        if couples:
            new = [couple.flux + couple.slope * rest for couple in couples]
            modes = step.decay * state.modes
            modes += np.dot(step.load, np.array(fluxes + new + means))
            averages = []
            for (w0, w1, wb), couple, j0, j1, before in zip(step.mean, couples, fluxes, new, means, strict=True):
                average = w0 * j0 + w1 * j1 + wb * before
                averages.append(average)
                passed += couple.amperes * average
                other -= couple.amperes * j1
            state.modes, state.fluxes, state.means = modes, new, averages
        if self.branches:
            passed += (other + state.other) / 2 if shape is Shape.LINE or shape is Shape.ROOT else other
            state.other = other
        if self._pits:
            state.pits = [pit.metal.grown(potential, pit.level, span) for pit in self._pits]
        self._account(control, span, first, last, way, reaction, passed * span)
        state.potential, state.reaction, state.slope, state.mean = potential, reaction, slope, passed
        state.drift = way / span
        state.since += span
        state.previous = span
        return True

    def _solve(self, control: Control, span: float, first: float, last: float) -> tuple[float, float, float, float]:
        """Potential of the interface, current and slope of the reactions, and the last correction of the potential."""
        state = self.state
        potentiostatic = control is Control.POTENTIAL
        if potentiostatic and self.interface.resistance == 0:
            return last, *self._reactions(last), 0.0
        cache = self._weights[potentiostatic]
        found = cache.get(span)
        if found is None:
            if len(cache) >= MOST_CACHED:
                cache.clear()
            found = cache[span] = weights(self.interface, span, potentiostatic)
        admittance, drive = 0.0, last
        if not found.balanced:
            at0, at1, before = found.reaction0, found.reaction1, 0.0
            if at0 and state.previous:
                leaning = at0 * lean(span * state.slope / self.interface.capacitance)
                before = leaning * 2 * span / (2 * span + state.previous)
                at0, at1 = at0 - leaning, at1 + leaning - before
            admittance = 1 / at1
            settled = found.keep * state.potential + found.drive0 * first + found.drive1 * last
            drive = admittance * (settled - at0 * state.reaction - before * state.mean)
        guess = state.potential + state.drift * span
        tried, reaction, slope, rest = balance(self._reactions, admittance, drive, guess)
        return tried + rest, reaction + slope * rest, slope, rest

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
