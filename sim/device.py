"""The instrument itself: what it is doing, its cell, its points, its safety.  It knows nothing of bytes."""

import math
from collections.abc import Callable, Mapping
from typing import Protocol

from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Activity, Cell, Outcome, Reading, Receipt, Status
from luggin.protocol.link.columns import Even
from luggin.protocol.link.numbers import Code
from luggin.protocol.link.records import sentence
from luggin.protocol.points import Array, Batch
from luggin.protocol.program import Program
from luggin.sim.buffer import PointBuffer
from luggin.sim.executor.execution import Execution, NotPossible
from luggin.sim.executor.record import columns_of
from luggin.sim.executor.sampler import Sampler
from luggin.sim.frontend import FrontEnd
from luggin.sim.loader import Loader
from luggin.sim.noise import Noise
from luggin.sim.ranging import Ranges
from luggin.sim.refused import Refused
from luggin.sim.run import Run
from luggin.sim.settings import Settings
from luggin.sim.stage import Relay, Stage
from luggin.sim.trouble import Trouble

OLDEST_QUOTE = 5.0
"""Seconds that a quoted clock may be behind for a cell to be energised."""
INSIST = 0.1
"""Seconds after which a relay that does not read as off is told again."""


Standing = tuple[Activity, Cell, str | None, Outcome | None, int]


class Log(Protocol):
    """Hears everything that the instrument measures and does; times are run times (s)."""

    def points(self, batch: Batch) -> None: ...

    def event(self, run: str, time: float, what: str, value: object) -> None: ...


class Device:
    """One instrument.  `now` is real monotonic time in s and never goes back."""

    def __init__(
        self, settings: Settings, boots: Callable[[], str], now: float, trouble: Trouble, log: Log | None = None
    ) -> None:
        """`boots` gives a name that was never used before, for each start of the instrument."""
        self._settings, self._boots, self._made, self._log = settings, boots, now, log
        self.trouble = trouble
        model = settings.instrument
        self.capability: Capability = model.capability(f"sim-{settings.seed}")
        if settings.buffer is not None:
            self.capability = self.capability.model_copy(update={"buffer": settings.buffer})
        self._relay = Relay(trouble)
        self._runs = 0
        self.power_up(now)

    def power_up(self, now: float) -> None:
        """Start afresh: a new boot, nothing loaded, nothing energised."""
        self.boot = self._boots()
        self.buffer: PointBuffer | None = None
        self._booted = self._insisted = now
        self._loader = Loader(self.capability)
        self._program: Program | None = None
        self._armed = self._done = False
        self._run: Run | None = None
        self._stage = Stage(self._settings.make_cell(0), self._relay, self._note)
        self._stage.shut(self.capability.current_ranges[-1])

    # Time

    def clock(self, now: float) -> float:
        """Seconds since the start of the instrument."""
        return now - self._booted

    @property
    def run_time(self) -> float:
        """Run time (s) reached by the program, 0 without one."""
        return self._run.execution.time if self._run else 0.0

    def advance(self, now: float, most: int) -> None:
        """Do what is due, computing `most` samples at most; `wakeup` says when to come again."""
        if self._relay_disagrees and now >= self._insisted + INSIST:
            self._insisted = now
            self._relay.move(False)
        if self._run is not None:
            self._run.advance(self.clock(now), most)

    def wakeup(self, now: float) -> float | None:
        """When `advance` has something to do, if nothing else happens before."""
        times = [self._insisted + INSIST] if self._relay_disagrees else []
        due = None if self._run is None else self._run.wakeup(self.clock(now))
        if due is not None:
            times.append(self._booted + due)
        return min(times, default=None)

    @property
    def behind(self) -> bool:
        """Whether more was due than the last `advance` could compute."""
        return self._run is not None and self._run.behind

    @property
    def _relay_disagrees(self) -> bool:
        return not self._relay.wanted and self._relay.read_back() is not Cell.OFF

    # Requests

    def upload(self, offset: int, data: bytes) -> None:
        self._require(Activity.IDLE, Activity.ARMED, Activity.ENDED)
        self._loader.upload(offset, data)
        self._armed = False

    def arm(self, run: str, size: int, digest: bytes) -> None:
        self._require(Activity.IDLE, Activity.ARMED, Activity.ENDED)
        if self.buffer is not None and self.buffer.oldest < self.buffer.next:
            held = f"points {self.buffer.oldest} to {self.buffer.next - 1} of run {self.buffer.run}"
            raise Refused(Code.POINTS_HELD, f"{held} wait to be acknowledged")
        self._program = self._loader.program(size, digest)
        self.buffer = PointBuffer(run, self.boot, self.capability.buffer, columns_of(self._program))
        self._run = None
        self._armed, self._done = True, False

    def start(self, run: str, quoted: float, now: float) -> None:
        self._require(Activity.ARMED)
        assert self._program is not None
        assert self.buffer is not None
        if run != self.buffer.run:
            raise Refused(Code.WRONG_RUN, f"run {self.buffer.run} is armed, not {run}; arm it first")
        self._require_fresh(quoted, now)
        if self._relay.read_back() is not Cell.OFF:
            raise Refused(Code.FAULT, "the relay does not read as off; have the instrument looked at")
        self._armed = False
        self._runs += 1
        settings, model, program = self._settings, self._settings.instrument, self._program
        self._stage = Stage(settings.make_cell(self._runs), self._relay, self._note)
        noise = None if settings.ideal else Noise(settings.seed, self._runs)
        ranges = Ranges(model.ranges, self.capability, program.ranging)
        front = FrontEnd(model, ranges, noise, program.mains_frequency, settings.temperature, settings.pickup)
        sampler = Sampler(self._stage, front, model.compliance, self.trouble)
        largest = self.capability.current_ranges[-1]
        execution = Execution(program, sampler, self._stage, largest, self._keep)
        self._run = Run(execution, program.dead_man, self.clock(now), settings.speed)

    def hold(self) -> None:
        self._require(Activity.RUNNING, Activity.HELD)
        try:
            self._running.hold()
        except NotPossible as error:
            raise Refused(Code.HOLD_NOT_ALLOWED, str(error)) from None

    def unhold(self, quoted: float, now: float) -> None:
        self._require(Activity.RUNNING, Activity.HELD)
        self._require_fresh(quoted, now)
        try:
            self._running.unhold()
        except NotPossible as error:
            raise Refused(Code.WRONG_STATE, str(error)) from None

    def stop(self) -> None:
        self._require(Activity.RUNNING, Activity.HELD, Activity.CLOSING, Activity.AFTER_RUN)
        self._running.stop()

    def cell_off(self) -> Receipt:
        """Open the cell now, whatever is going on."""
        if self._run is not None and self._run.execution.active:
            self._run.execution.end(Outcome.OFF, "cell-off was asked for")
        else:
            self._stage.shut(self.capability.current_ranges[-1])
        self._armed = False
        read = self._relay.read_back()
        return Receipt(
            read, "" if read is Cell.OFF else "the relay was told to open, but its read-back does not say so"
        )

    def keep_alive(self, quoted: float, now: float) -> None:
        if self._run is not None:
            self._run.keep_alive(quoted, self.clock(now))

    def acknowledge(self, run: str, after: int) -> None:
        buffer = self.points_of(run)
        if after > buffer.next:
            raise Refused(Code.OUT_OF_RANGE, f"there is no point {after - 1}; the next one is {buffer.next}")
        buffer.forget(after)
        if self.activity is Activity.ENDED and buffer.oldest == buffer.next:
            self._done = True

    def points_of(self, run: str) -> PointBuffer:
        """The buffer, which must be that of this run."""
        if self.buffer is None or self.buffer.run != run:
            here = "none" if self.buffer is None else self.buffer.run
            raise Refused(Code.WRONG_RUN, f"points of run {run} are not held here; held is {here}")
        return self.buffer

    # What it says of itself

    @property
    def activity(self) -> Activity:
        if self._armed:
            return Activity.ARMED
        if self._run is None or self._done:
            return Activity.IDLE
        return self._run.execution.activity

    @property
    def standing(self) -> Standing:
        """What is reported whenever it changes."""
        execution, buffer = self._execution, self.buffer
        return (
            self.activity,
            self._relay.read_back(),
            None if buffer is None else buffer.run,
            execution.outcome if execution else None,
            execution.phase if execution else 0,
        )

    def status(self, now: float) -> Status:
        execution, buffer, clock = self._execution, self.buffer, self.clock(now)
        return Status(
            activity=self.activity,
            cell=self._relay.read_back(),
            boot=self.boot,
            clock=clock,
            run=None if buffer is None else buffer.run,
            outcome=execution.outcome if execution else None,
            detail=sentence(execution.detail) if execution else "",
            oldest=0 if buffer is None else buffer.oldest,
            next=0 if buffer is None else buffer.next,
            lost=0 if buffer is None else buffer.lost,
            run_time=self.run_time,
            phase=execution.phase if execution else 0,
            cycle=execution.cycle if execution else 0,
            silence=self._run.silence(clock) if self._run else 0.0,
        )

    def reading(self, now: float) -> Reading:
        """The newest sample while a program runs, else a look at the cell at open circuit."""
        execution, model = self._execution, self._settings.instrument
        battery = None
        if model.battery is not None:
            battery = max(0.0, self._settings.battery - (now - self._made) / model.battery)
        if execution is not None and execution.active and execution.last is not None:
            last = execution.last
            potential, current = _there(last.potential[0]), _there(last.current[0])
            in_use, voltage = _there(last.current_range[0]), _there(last.cell_voltage[0])
        else:
            potential = self._stage.cell.open_circuit_potential()
            current = in_use = voltage = None
        return Reading(
            cell=self._relay.read_back(),
            clock=self.clock(now),
            potential=potential,
            current=current,
            current_range=in_use,
            cell_voltage=voltage,
            temperature=self._settings.temperature,
            battery=battery,
        )

    # Inside

    @property
    def _execution(self) -> Execution | None:
        return None if self._run is None else self._run.execution

    @property
    def _running(self) -> Execution:
        assert self._run is not None
        return self._run.execution

    def _require(self, *activities: Activity) -> None:
        if self.activity not in activities:
            raise Refused(Code.WRONG_STATE, f"not possible while the instrument is {self.activity.value}")

    def _require_fresh(self, quoted: float, now: float) -> None:
        age = self.clock(now) - quoted
        if not 0 <= age <= OLDEST_QUOTE:
            words = f"clock {quoted:.6g} s is {abs(age):.3g} s {'old' if age > 0 else 'ahead'}"
            raise Refused(Code.STALE, f"{words}; ask for the status and ask again")

    def _keep(self, columns: Mapping[str, Array], even: Even | None) -> None:
        assert self.buffer is not None
        stored = self.buffer.append(columns, even)
        if self._log is not None:
            self._log.points(stored)

    def _note(self, what: str, value: object) -> None:
        if self._log is not None and self.buffer is not None:
            self._log.event(self.buffer.run, self.run_time, what, value)


def _there(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
