"""One run of a program on the cell, in instrument time."""

from collections.abc import Callable, Mapping

import numpy as np

from luggin.protocol.conditions import Conditions
from luggin.protocol.instrument import Activity, Outcome
from luggin.protocol.link.columns import Even
from luggin.protocol.points import Array
from luggin.protocol.program import LONGEST, Control, Open, Program, Pulses, Until
from luggin.protocol.quantity import show
from luggin.protocol.recent import Recent
from luggin.protocol.walk import Walk
from luggin.sim.cell.api import CellError, Drive, Floats
from luggin.sim.executor.course import Before, Course
from luggin.sim.executor.courses import course, watch
from luggin.sim.executor.guard import Guard
from luggin.sim.executor.passage import Passage
from luggin.sim.executor.sampler import Sampler
from luggin.sim.frontend import Samples
from luggin.sim.stage import RelayError, Stage

MOST_AT_ONCE = 512
"""Samples computed in one go."""

Sink = Callable[[Mapping[str, Array], Even | None], None]
"""Takes points as columns, and the rule of their times where they are evenly spaced."""


_ALLOWED = "the charge allowed without a host has passed"


class NotPossible(Exception):
    """A request that does not fit what the run is doing; its text is a sentence."""


class Execution:
    """Executes a program from run time 0 on.

    `advance` computes what is due; the other calls act at the run time reached, between two samples.
    """

    def __init__(self, program: Program, sampler: Sampler, stage: Stage, largest_range: float, sink: Sink) -> None:
        self._program, self._sampler, self._stage, self._sink = program, sampler, stage, sink
        self._largest_range = largest_range
        self.activity = Activity.RUNNING
        self.outcome: Outcome | None = None
        self.detail = ""
        self.time = 0.0
        self.last: Samples | None = None
        """The newest sample."""
        self.passed = 0.0
        """Charge (magnitude, C) that went through the cell up to now."""
        self._guard = Guard(program)
        self._walk = Walk(program)
        self._open_circuit: float | None = None
        self._hold_wanted = self._was_held = False
        self._suspended: Passage | None = None  # what an operator's hold interrupted; None: it came between segments
        self._held_for = 0.0
        self._charge_left: float | None = None
        self._passage: Passage | None = None
        self._executed: Passage | None = None  # the present or newest part of the program, whatever hold came after it
        self._onward(leave_block=False)

    # What is going on

    @property
    def active(self) -> bool:
        return self.activity is not Activity.ENDED

    @property
    def phase(self) -> int:
        return self._walk.block.phase

    @property
    def cycle(self) -> int:
        return self._walk.cycle

    @property
    def next_due(self) -> float | None:
        """Run time (s) of the next sample; None when there will be none."""
        if not self.active or self._passage is None:
            return None
        passage = self._passage
        return self.time if passage.over else passage.next_end

    def advance(self, target: float, most: int) -> int:
        """Compute samples up to run time `target` (s), `most` of them at most; returns how many steps that took."""
        left = most
        while left > 0 and self.active:
            passage = self._passage
            assert passage is not None
            if passage.over:
                self._over(None)
                left -= 1
                continue
            due = passage.due(target, min(left, MOST_AT_ONCE))
            if due == 0:
                break
            left -= self._take(passage, due)
        return most - left

    # Requests

    def hold(self) -> None:
        """Pause here or where the program next allows it."""
        if self.activity is Activity.HELD:
            return
        if self.activity is not Activity.RUNNING:
            raise NotPossible(f"the program can't be held while it is {self.activity.value}")
        if not self._walk.may_pause_later():
            raise NotPossible("the program has no place from here on where it may pause")
        if self._held_for >= self._program.longest_hold:
            raise NotPossible(f"the program may be held for {show(self._program.longest_hold, 's')} and has been")
        if self._walk.may_pause_now():
            self._suspended = self._passage
            self._pause()
        else:
            self._hold_wanted = True

    def unhold(self) -> None:
        """Go on after a hold, or forget one that has not taken effect."""
        if self.activity is Activity.RUNNING and self._hold_wanted:
            self._hold_wanted = False
            return
        if self.activity is not Activity.HELD:
            raise NotPossible("the program is not held")
        self._resume()

    def stop(self, outcome: Outcome = Outcome.STOPPED, detail: str = "") -> None:
        """End in order: the blocks meant for a stop that have not begun, then the ending.  A stop during the ending
        opens the cell."""
        if self.activity is Activity.AFTER_RUN:
            self.end(self.outcome or outcome, self.detail)
        elif self.activity in (Activity.RUNNING, Activity.HELD):
            self.outcome, self.detail = outcome, detail
            self.activity = Activity.CLOSING
            self._hold_wanted, self._suspended = False, None
            self._walk.stop()
            self._onward(leave_block=True)

    def end(self, outcome: Outcome, detail: str = "") -> None:
        """Let the cell go at once.  Once ended, the outcome stays."""
        self._stage.shut(self._largest_range)
        if self.active:
            self.activity, self.outcome, self.detail = Activity.ENDED, outcome, detail
            self._passage = self._suspended = None

    def abandon(self, potential: float) -> None:
        """Give the program up and hold a potential (V) until told otherwise."""
        self.activity, self.outcome = Activity.AFTER_RUN, Outcome.DEAD_MAN
        self.detail = f"the host fell silent; {show(potential, 'V')} is held"
        self._watch("potential", potential, LONGEST)

    def allow(self, charge: float | None) -> None:
        """Let at most this much more charge pass (magnitude, C; None: any) before the cell opens."""
        self._charge_left = charge
        if charge is not None and charge <= 0:
            self.end(Outcome.DEAD_MAN, _ALLOWED)

    # Samples

    def _take(self, passage: Passage, due: int) -> int:
        """Take samples that are due; returns how many."""
        try:
            samples, charge, met = passage.take(self._sampler, due)
        except CellError as error:
            self.end(Outcome.FAULT, str(error))
            return due
        ended = self._first_end(samples, charge)
        kept = len(samples) if ended is None else ended[0] + 1
        points = passage.keep(samples[:kept], charge[:kept], met is not None or ended is not None, self._was_held)
        if points is not None:
            self._sink(*points)
        self.time = float(samples.time[kept - 1])
        self.last = samples[kept - 1 : kept]
        if ended is not None:
            self.end(ended[1], ended[2])
        elif met is not None:
            self._over(met)
        return len(samples)

    def _first_end(self, samples: Samples, charge: Floats) -> tuple[int, Outcome, str] | None:
        """The first sample after which the cell must open, the outcome and a sentence."""
        found = self._guard.check(samples, charge)
        amounts = np.abs(samples.charge)
        self.passed += float(amounts.sum())
        if self._charge_left is None:
            return found
        left = self._charge_left - np.cumsum(amounts)
        self._charge_left = float(left[-1])
        at = int(np.argmax(left <= 0))
        if left[at] > 0 or (found is not None and found[0] <= at):
            return found
        return at, Outcome.DEAD_MAN, _ALLOWED

    # The way through the program

    def _over(self, met: Until | None) -> None:
        """The present course has come to its end, by itself or because a condition was met."""
        passage = self._passage
        assert passage is not None
        if self.activity is Activity.HELD:
            self._held_for = self._program.longest_hold
            detail = f"it was held for longer than the {show(self._program.longest_hold, 's')} that its method allows"
            self.stop(Outcome.HOLD_EXPIRED, detail)
        elif self.activity is Activity.AFTER_RUN:
            self.end(self.outcome or Outcome.COMPLETED, self.detail)
        elif self._settled(passage, met):
            self._onward(leave_block=met is not None and met.then == "next-block", leave_segment=met is not None)

    def _settled(self, passage: Passage, met: Until | None) -> bool:
        """What an open segment has to prove before the program goes on; False when it ended the program instead."""
        segment = self._walk.segment
        if isinstance(segment, Open) and segment.must_settle and met is None and self.activity is Activity.RUNNING:
            within = f"within {show(segment.duration, 's')}"
            self.stop(Outcome.STOPPED, f"the open-circuit potential did not settle {within}")
            return False
        window = self._program.open_circuit
        if passage.recent is None or window is None:
            return True
        self._open_circuit = found = passage.recent.mean()
        if window.low <= found <= window.high:
            return True
        plausible = f"outside the plausible {show(window.low, 'V')} to {show(window.high, 'V')}"
        self.end(Outcome.LIMIT, f"the open-circuit potential {show(found, 'V')} lies {plausible}")
        return False

    def _onward(self, leave_block: bool, leave_segment: bool = False) -> None:
        if not self._walk.forward(leave_block, leave_segment):
            self._finish()
            return
        if self._hold_wanted and self._walk.may_pause_here():
            self._suspended = None
            self._pause()
        else:
            self._next_segment()

    def _finish(self) -> None:
        """Nothing is left to execute: the ending."""
        self.outcome = self.outcome or Outcome.COMPLETED
        ending = self._program.ending
        if ending.after_run == "cell-off" or ending.duration == 0:
            self.end(self.outcome, self.detail)
            return
        potential = self._level("potential") if ending.potential is None else ending.potential
        self.activity = Activity.AFTER_RUN
        self._watch("potential", potential, ending.duration)

    def _pause(self) -> None:
        passage = self._passage
        assert passage is not None
        self._hold_wanted, self._was_held = False, True
        self.activity = Activity.HELD
        left = self._program.longest_hold - self._held_for
        self._watch(passage.course.control, passage.level, left, passage.automatic)

    def _resume(self) -> None:
        hold = self._passage
        assert hold is not None
        self._held_for += self.time - hold.begun
        self.activity = Activity.RUNNING
        suspended, self._suspended = self._suspended, None
        if suspended is None:
            self._next_segment()
        else:
            suspended.begun += self.time - hold.begun
            self._enter(suspended)

    def _next_segment(self) -> None:
        """Begin the segment, or the part of one, at which the walk stands."""
        segment, window = self._walk.segment, self._program.open_circuit
        self._stage.set_outputs(segment.outputs)
        before = Before(self._level, self._open_circuit, self._program.mains_frequency)
        made = course(segment, self._walk.part, before)
        passage = self._passage_of(made, self._walk.cycle, segment.autorange)
        if self._walk.part > 0 and self._executed is not None:
            passage.carry_on(self._executed)
        else:
            passage.conditions = Conditions(segment.until, made.spacing)
        self._executed = passage
        if isinstance(segment, Pulses):
            passage.lead = segment.lead
        if isinstance(segment, Open) and window is not None:
            passage.recent = Recent(window.average, made.spacing)
        self._enter(passage)

    def _watch(self, control: Drive | None, level: float, duration: float, automatic: bool = True) -> None:
        """Hold a level for so long; its points belong to no repetition and have cycle 0."""
        self._enter(self._passage_of(watch(control, level, duration), 0, automatic))

    def _passage_of(self, made: Course, cycle: int, automatic: bool) -> Passage:
        return Passage(made, self.time, Conditions((), made.spacing), automatic, self._walk.block.phase, cycle)

    def _enter(self, passage: Passage) -> None:
        try:
            self._sampler.prepare(passage.course, passage.lead, passage.automatic)
        except RelayError as error:
            self.end(Outcome.FAULT, str(error))
        else:
            self._passage = passage

    def _level(self, control: Control) -> float:
        """The level that stands, or where another quantity was controlled, what is measured of this one."""
        passage = self._passage
        if passage is not None and passage.course.control == control:
            return passage.level
        if control == "current":
            return 0.0 if self.last is None or np.isnan(self.last.current[0]) else float(self.last.current[0])
        return self._sampler.open_circuit() if self.last is None else float(self.last.potential[0])
