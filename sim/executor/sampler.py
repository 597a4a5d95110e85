"""Driving the cell along a course, and measuring it."""

import copy
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from luggin.protocol.program import Control
from luggin.sim.cell.api import Cell, Floats, Response
from luggin.sim.executor.course import Course, Pieces
from luggin.sim.frontend import FrontEnd, Samples, Taken
from luggin.sim.ranging import Place
from luggin.sim.stage import Stage
from luggin.sim.trouble import Trouble


@dataclass(frozen=True)
class WayBack:
    """Everything that taking samples changes."""

    cell: Cell
    place: Place
    number: int
    time: float


class Sampler:
    """Takes the samples of one run, each once and in order."""

    def __init__(self, stage: Stage, front: FrontEnd, compliance: float, trouble: Trouble) -> None:
        self._stage, self._front, self._compliance, self._trouble = stage, front, compliance, trouble
        self._number, self._time = 0, 0.0

    def prepare(self, course: Course) -> None:
        """Bring range and relay to where the course needs them."""
        self._front.prepare(course.control, course.largest)
        if course.control is None:
            self._stage.disconnect()
        else:
            self._stage.connect(course.control)

    def take(self, course: Course, first: int, time: Floats, automatic: bool) -> Samples:
        """Samples of the steps from `first` on, that end at run times `time` (s)."""
        pieces, count = course.pieces(first, len(time)), len(time)
        lost = self._trouble.reference_lost
        safe = int(np.searchsorted(time, lost, side="right"))
        parts = [self._drive(course.control, pieces, slice(0, safe))] if safe else []
        if safe < count:
            parts.append(self._adrift(course.control, pieces, slice(safe, count)))
        taken = Taken(
            first=self._number,
            time=time,
            applied=pieces.last if course.control == "potential" else np.full(count, np.nan),
            spacing=course.spacing,
            control=course.control,
            automatic=automatic,
            lost=lost,
        )
        response = parts[0] if len(parts) == 1 else Response.join(*parts)
        samples = self._spiked(self._front.measure(taken, response))
        self._number, self._time = self._number + count, float(time[-1])
        return samples

    def save(self) -> WayBack:
        return WayBack(copy.deepcopy(self._stage.cell), self._front.place, self._number, self._time)

    def restore(self, back: WayBack) -> None:
        self._stage.cell = back.cell
        self._front.place, self._number, self._time = back.place, back.number, back.time

    def open_circuit(self) -> float:
        """Potential (V) that the cell would show now at open circuit; nothing moves."""
        return float(copy.deepcopy(self._stage.cell).open_circuit(1e-3).measured[-1])

    def _drive(self, control: Control | None, pieces: Pieces, part: slice) -> Response:
        cell, dt = self._stage.cell, pieces.dt[part]
        if control is None:
            return cell.open_circuit(dt)
        asked: Callable[..., Response] = cell.potential_control if control == "potential" else cell.current_control
        return asked(dt, pieces.first[part], pieces.last[part], compliance=self._compliance)

    def _adrift(self, control: Control | None, pieces: Pieces, part: slice) -> Response:
        """Without a reference the loop sees a potential that it can't pull back, and drives all the current it has."""
        if control != "potential":
            return self._drive(control, pieces, part)
        most = np.full(len(pieces.dt), -self._front.most_current)
        return self._drive("current", Pieces(pieces.dt, most, most), part)

    def _spiked(self, samples: Samples) -> Samples:
        for spike in self._trouble.spikes:
            at = int(np.searchsorted(samples.time, spike.time))
            if self._time < spike.time and at < len(samples):
                values = getattr(samples, spike.measured).copy()
                values[at] += spike.value
                samples = replace(samples, **{spike.measured: values})
        return samples
