"""A course under way: its samples one stretch after the other, up to where an end condition is met."""

import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from luggin.protocol.conditions import Conditions
from luggin.protocol.link.columns import Even
from luggin.protocol.points import Array
from luggin.protocol.program import Until
from luggin.protocol.recent import Recent
from luggin.sim.cell.api import Floats
from luggin.sim.executor.course import Course
from luggin.sim.executor.record import record
from luggin.sim.executor.sampler import Sampler
from luggin.sim.frontend import Samples


@dataclass
class Passage:
    """`begun` is the run time (s) at which the course began, moved on by the holds within it; `recent` follows the
    open-circuit potential where one is to be learnt; ranges that take longer than `lead` (s) to settle are not used.

    `elapsed` (s) and `charge` (C) count from the beginning of the segment, of which the course may be a part.
    """

    course: Course
    begun: float
    conditions: Conditions
    automatic: bool
    phase: int
    cycle: int
    done: int = 0
    charge: float = 0.0
    elapsed: float = 0.0
    recent: Recent | None = None
    lead: float = math.inf

    @property
    def over(self) -> bool:
        return self.done == self.course.steps

    @property
    def next_end(self) -> float:
        """Run time (s) at which the next step ends."""
        return self.begun + float(self.course.ends(self.done, 1)[0])

    @property
    def level(self) -> float:
        """The level that stands."""
        return self.course.level(self.done)

    def carry_on(self, former: "Passage") -> None:
        """Begin where the part of the same segment before this one ended."""
        self.conditions, self.charge = former.conditions, former.charge
        self.elapsed = former.elapsed + float(former.course.ends(former.done - 1, 1)[0])

    def due(self, target: float, most: int) -> int:
        """How many steps end by run time `target` (s), `most` at most."""
        ends = self.begun + self.course.ends(self.done, min(most, self.course.steps - self.done))
        return int(np.searchsorted(ends, target, side="right"))

    def take(self, sampler: Sampler, count: int) -> tuple[Samples, Floats, Until | None]:
        """Take `count` samples, fewer where a condition is met: the samples, the charge (C) of the segment at each,
        and the condition that the last of them met."""
        far = self.conditions and count > 1
        back = (sampler.save(self.done), copy.deepcopy(self.conditions)) if far else None
        ends = self.course.ends(self.done, count)
        samples = sampler.take(self.course, self.done, self.begun + ends, self.automatic)
        charge: Floats = np.cumsum(np.concatenate(([self.charge], samples.charge)))[1:]
        met = self.conditions.met(self.elapsed + ends, samples, charge) if self.conditions else None
        if met is None:
            return samples, charge, None
        if met[0] + 1 == count:
            return samples, charge, met[1]
        # The cell went further than the segment does: back, and again just as far.
        assert back is not None
        sampler.restore(back[0], self.course, self.begun)
        self.conditions = back[1]
        return self.take(sampler, met[0] + 1)

    def keep(
        self, samples: Samples, charge: Floats, closing: bool, held: bool
    ) -> tuple[Mapping[str, Array], Even | None] | None:
        """Count these samples as done; the points among them, if any, and the rule of their times."""
        reduced = self.course.reduce(self.done, samples, closing)
        if self.recent is not None:
            for time, value in zip(samples.time.tolist(), samples.potential.tolist(), strict=True):
                self.recent.add(time, value)
        self.done += len(samples)
        self.charge = float(charge[-1])
        if not len(reduced.chosen):
            return None
        even = None if reduced.even is None else Even(self.begun, *reduced.even)
        return record(samples, charge, reduced, self.phase, self.cycle, held), even
