"""Driving the cell along a course, and measuring it."""

import copy
from dataclasses import dataclass, replace

import numpy as np

from luggin.sim.cell.api import Cell, Drive, Floats, Response
from luggin.sim.executor.course import Course, Pieces
from luggin.sim.executor.drive import drive
from luggin.sim.frontend import FrontEnd, Samples, Taken
from luggin.sim.ranging import Place
from luggin.sim.stage import Stage
from luggin.sim.trouble import Trouble

FAR = 256
"""Steps after which a new copy of the cell is kept, from which a way back begins."""


@dataclass(frozen=True)
class WayBack:
    """Where sampling stood: steps done of the course, and what else taking samples changes."""

    done: int
    place: Place
    number: int
    time: float


class Sampler:
    """Takes the samples of one run, each once and in order."""

    def __init__(self, stage: Stage, front: FrontEnd, compliance: float, trouble: Trouble) -> None:
        self._stage, self._front, self._compliance, self._trouble = stage, front, compliance, trouble
        self._number, self._time = 0, 0.0
        self._kept: tuple[int, Cell] | None = None  # a copy of the cell after so many steps of the present course

    def prepare(self, course: Course, lead: float, automatic: bool) -> None:
        """Bring range and relay to where the course needs them; ranges that take longer than `lead` (s) to settle are
        not used.  Raises RelayError."""
        self._kept = None
        self._front.prepare(course.control, course.largest, lead)
        if automatic and course.trial is not None and course.control == "potential":
            # What stays for a while is tried on a copy, which leaves no trace in the cell.
            tried = self._ask(copy.deepcopy(self._stage.cell), course.control, course.trial)
            self._front.foresee(float(np.abs(tried.current[len(tried) // 3 :]).max()), self._time)
        if course.control is None:
            self._stage.disconnect()
        else:
            self._stage.connect(course.control)

    def take(self, course: Course, first: int, time: Floats, automatic: bool) -> Samples:
        """Samples of the steps from `first` on, that end at run times `time` (s)."""
        pieces, response = self._respond(course, first, time)
        taken = Taken(
            first=self._number,
            time=time,
            applied=pieces.last if course.control == "potential" else np.full(len(time), np.nan),
            spacing=course.spacing,
            control=course.control,
            automatic=automatic and course.trial is None,
            lost=self._trouble.reference_lost,
            mean_over=pieces.dt if pieces.mean else None,
            counts=pieces.counts,
            turns=pieces.turns,
        )
        samples = self._spiked(self._front.measure(taken, response))
        self._number, self._time = self._number + len(time), float(time[-1])
        return samples

    def save(self, done: int) -> WayBack:
        """A way back to here, after `done` steps of the present course; good until the next `prepare`."""
        if self._kept is None or done - self._kept[0] >= FAR:
            self._kept = done, copy.deepcopy(self._stage.cell)
        return WayBack(done, self._front.place, self._number, self._time)

    def restore(self, back: WayBack, course: Course, begun: float) -> None:
        """Go back; `begun` is the run time (s) at which the course began.

        Copying a cell takes as long as many steps do: so there is only a copy now and then, and the steps from there
        are taken again.  They give what they gave before.
        """
        assert self._kept is not None
        done, self._stage.cell = self._kept
        self._kept = None
        if back.done > done:
            self._respond(course, done, begun + course.ends(done, back.done - done))
        self._front.place, self._number, self._time = back.place, back.number, back.time

    def open_circuit(self) -> float:
        """Potential (V) that the cell would show now at open circuit; nothing moves."""
        return self._stage.cell.open_circuit_potential()

    def _respond(self, course: Course, first: int, time: Floats) -> tuple[Pieces, Response]:
        """Ask the cell for the steps from `first` on, that end at run times `time`."""
        pieces, count = course.pieces(first, len(time)), len(time)
        safe = int(np.searchsorted(time, self._trouble.reference_lost, side="right"))
        parts = [self._ask(self._stage.cell, course.control, pieces[:safe])] if safe else []
        if safe < count:
            parts.append(self._adrift(course.control, pieces[safe:]))
        return pieces, parts[0] if len(parts) == 1 else Response.join(*parts)

    def _ask(self, cell: Cell, control: Drive | None, pieces: Pieces) -> Response:
        response = drive(cell, control, pieces, self._compliance)
        return replace(response, current=response.charge / pieces.dt) if pieces.mean else response

    def _adrift(self, control: Drive | None, pieces: Pieces) -> Response:
        """Without a reference the loop sees a potential that it can't pull back, and drives all the current it has."""
        if control != "potential":
            return self._ask(self._stage.cell, control, pieces)
        most = np.full(len(pieces.dt), -self._front.most_current)
        return self._ask(self._stage.cell, "current", Pieces(pieces.dt, most, most, mean=pieces.mean))

    def _spiked(self, samples: Samples) -> Samples:
        for spike in self._trouble.spikes:
            at = int(np.searchsorted(samples.time, spike.time))
            if self._time < spike.time and at < len(samples):
                values = getattr(samples, spike.measured).copy()
                values[at] += spike.value
                samples = replace(samples, **{spike.measured: values})
        return samples
