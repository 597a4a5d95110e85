"""The plan of a run that the host times, without clock and without I/O: what to apply, when to read, what follows."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from luggin.drivers.set_and_read import Measured
from luggin.drivers.stairs import Stairs
from luggin.drivers.stepped_passage import Passage
from luggin.protocol import limits
from luggin.protocol.capability import Capability
from luggin.protocol.conditions import Conditions
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.points import Flag, batch
from luggin.protocol.program import AFTER_RUN_PERIOD, Control, Hold, Open, Program, Ramp, Until, ramp_duration
from luggin.protocol.quantity import show
from luggin.protocol.walk import Walk

Point = Mapping[str, float]


class NotPossible(Exception):
    """A request that does not fit what the run is doing; its text is a sentence."""


@dataclass(frozen=True)
class Setting:
    """A potential (V) or current (A) to apply; `control` None leaves the cell to itself."""

    control: Control | None
    level: float


class Plan:
    """Executes a program from run time 0 on, one reading after the other.

    The shell applies `setting`, reads at `due` and hands the reading to `take`; all times are run times in s.  The
    plan does not hurry after a reading that came too late by more than a step: everything after it moves on.
    """

    def __init__(self, program: Program, capability: Capability) -> None:
        self._program, self._finest = program, capability.fastest_period
        self._watched = {*capability.columns, "time", "charge", "flags"}
        self.activity = Activity.RUNNING
        self.outcome: Outcome | None = None
        self.detail = ""
        self.time = 0.0
        self.slips = 0
        """How often a reading came too late by more than a step."""
        self._walk = Walk(program)
        self._limits = limits.LimitState()
        self._readings = 0
        self._last: Measured | None = None
        self._open_circuit: float | None = None
        self._hold_wanted = self._was_held = False
        self._suspended: Passage | None = None  # what an operator's hold interrupted; None: it came between segments
        self._held_for = 0.0
        self._watch(None, 0.0, 0.0, 0.0)
        self._onward(0.0, leave_block=False)

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
    def setting(self) -> Setting:
        """What is to stand now."""
        return Setting(self._passage.stairs.control, self._passage.level)

    @property
    def due(self) -> float:
        """When the next reading is due."""
        return self._passage.due

    def take(self, time: float, measured: Measured) -> Point | None:
        """A reading taken at `time`; the point that it makes, if any."""
        passage = self._passage
        late = time - passage.due
        self.time, self._last = time, measured
        met = passage.read(time, measured)
        end = self._end(passage, time, measured)
        point = passage.point(time, measured, end is not None or met is not None, self._was_held)
        if late > passage.stairs.spacing:
            self.slips += 1
            passage.begun += late
        if end is not None:
            self.end(*end)
        elif met is not None or passage.over:
            self._over(met, passage.ended if met is None else time)
        return point

    # Requests, at run time `now`

    def hold(self, now: float) -> None:
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
            self._pause(now)
        else:
            self._hold_wanted = True

    def unhold(self, now: float) -> None:
        """Go on after a hold, or forget one that has not taken effect."""
        if self.activity is Activity.RUNNING and self._hold_wanted:
            self._hold_wanted = False
        elif self.activity is not Activity.HELD:
            raise NotPossible("the program is not held")
        else:
            self._resume(now)

    def stop(self, now: float, outcome: Outcome = Outcome.STOPPED, detail: str = "") -> None:
        """End in order; a stop during the ending opens the cell."""
        if self.activity in (Activity.RUNNING, Activity.HELD):
            self.outcome, self.detail = outcome, detail
            self.activity = Activity.CLOSING
            self._hold_wanted, self._suspended = False, None
            self._walk.stop()
            self._onward(now, leave_block=True)
        elif self.activity is Activity.AFTER_RUN:
            self.end(self.outcome or outcome, self.detail)

    def end(self, outcome: Outcome, detail: str = "") -> None:
        """Nothing is applied any more.  Once ended, the outcome stays."""
        if self.active:
            self.activity, self.outcome, self.detail = Activity.ENDED, outcome, detail

    # The way through the program

    def _end(self, passage: Passage, time: float, measured: Measured) -> tuple[Outcome, str] | None:
        """Why the cell must open after this reading, if it must."""
        open_circuit = passage.stairs.control is None
        if measured.cell is Cell.OFF and not open_circuit:
            return Outcome.FAULT, "the output is off, though nothing here switched it off"
        columns = {
            "time": time,
            "potential": measured.potential,
            "current": measured.current,
            "cell_voltage": measured.cell_voltage,
            "charge": passage.charge,
            "temperature": measured.temperature,
            "flags": measured.flags | (Flag.CELL_OPEN if open_circuit else 0),
        }
        # What the instrument never measures is left out: it would count as lost.
        there = {name: [value] for name, value in columns.items() if name in self._watched}
        reading = batch("", "", self._readings, there)
        self._readings += 1
        self._limits, violation = limits.check(self._limits, reading, self._program)
        if violation is None:
            return None
        lost = violation.quantity == "control loop"
        words = violation.sentence.rpartition(" (")[0]
        return Outcome.CONTROL_OVERLOAD if lost else Outcome.LIMIT, f"{words}, at {show(violation.time, 's')}"

    def _over(self, met: Until | None, now: float) -> None:
        """What stood has come to its end, by itself or because a condition was met."""
        if self.activity is Activity.HELD:
            self._held_for = self._program.longest_hold
            detail = f"it was held for longer than the {show(self._program.longest_hold, 's')} that its method allows"
            self.stop(now, Outcome.HOLD_EXPIRED, detail)
        elif self.activity is Activity.AFTER_RUN:
            self.end(self.outcome or Outcome.COMPLETED, self.detail)
        elif self._settled(met, now):
            self._onward(now, leave_block=met is not None and met.then == "next-block")

    def _settled(self, met: Until | None, now: float) -> bool:
        """What an open segment has to prove before the program goes on; False when it ended the program instead."""
        segment, window = self._walk.segment, self._program.open_circuit
        if not isinstance(segment, Open):
            return True
        if segment.must_settle and met is None and self.activity is Activity.RUNNING:
            within = f"within {show(segment.duration, 's')}"
            self.stop(now, Outcome.STOPPED, f"the open-circuit potential did not settle {within}")
            return False
        if window is None:
            return True
        self._open_circuit = found = self._passage.mean()
        if window.low <= found <= window.high:
            return True
        plausible = f"outside the plausible {show(window.low, 'V')} to {show(window.high, 'V')}"
        self.end(Outcome.LIMIT, f"the open-circuit potential {show(found, 'V')} lies {plausible}")
        return False

    def _onward(self, now: float, leave_block: bool) -> None:
        while self._walk.forward(leave_block):
            if self._hold_wanted and self._walk.may_pause_here():
                self._suspended = None
                self._pause(now)
                return
            self._passage = self._of_segment(now)
            if not self._passage.over:
                return
            leave_block = False  # a sweep that is there already
        self._finish(now)

    def _finish(self, now: float) -> None:
        """Nothing is left to execute: the ending."""
        self.outcome = self.outcome or Outcome.COMPLETED
        ending = self._program.ending
        if ending.after_run == "cell-off" or ending.duration == 0:
            self.end(self.outcome, self.detail)
            return
        potential = self._level("potential") if ending.potential is None else ending.potential
        self.activity = Activity.AFTER_RUN
        self._watch("potential", potential, ending.duration, now)

    def _pause(self, now: float) -> None:
        passage = self._passage
        self._hold_wanted, self._was_held = False, True
        self.activity = Activity.HELD
        left = self._program.longest_hold - self._held_for
        self._watch(passage.stairs.control, passage.level, left, now)

    def _resume(self, now: float) -> None:
        held = now - self._passage.begun
        self._held_for += held
        self.activity = Activity.RUNNING
        suspended, self._suspended = self._suspended, None
        if suspended is None:
            self._passage = self._of_segment(now)
        else:
            suspended.shift(held)
            self._passage = suspended

    def _watch(self, control: Control | None, level: float, duration: float, now: float) -> None:
        """Hold a level for so long; its points belong to no repetition and have cycle 0."""
        stairs = Stairs(control, level, level, duration, AFTER_RUN_PERIOD, self._finest)
        self._passage = Passage(stairs, now, Conditions((), stairs.spacing), self._walk.block.phase, 0)

    def _of_segment(self, begun: float) -> Passage:
        """The segment at which the walk stands, from run time `begun` on."""
        segment, window = self._walk.segment, self._program.open_circuit
        base = (self._open_circuit or 0.0) if getattr(segment, "versus_open_circuit", False) else 0.0
        control: Control | None = None
        match segment:
            case Open():
                start = end = 0.0
                duration = segment.duration
            case Hold():
                control, duration = segment.control, segment.duration
                start = end = base + segment.level
            case Ramp():
                control, end = segment.control, base + segment.end
                start = self._level(control) if segment.start is None else base + segment.start
                duration = ramp_duration(start, end, segment.rate)
            case _:
                raise NotPossible(f"a segment of kind {segment.kind} can't be timed by the host")
        stairs = Stairs(control, start, end, duration, segment.period, self._finest)
        return Passage(
            stairs=stairs,
            begun=begun,
            conditions=Conditions(segment.until, stairs.spacing),
            phase=self._walk.block.phase,
            cycle=self._walk.cycle,
            channel=segment.channel,
            statistics=segment.statistics,
            average=window.average if isinstance(segment, Open) and window is not None else None,
        )

    def _level(self, control: Control) -> float:
        """The level that stands, or where another quantity was controlled, what is measured of this one."""
        stairs = self._passage.stairs
        if stairs.control == control:
            return self._passage.level
        last = self._last
        measured = 0.0 if last is None else last.potential if control == "potential" else last.current
        return 0.0 if np.isnan(measured) else measured
