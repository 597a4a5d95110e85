"""What a host-timed instrument remembers from one connection to the next: what is armed, and the points it holds."""

import contextlib
import secrets
from collections.abc import Iterator

from luggin.drivers.errors import NotReachable, Refused
from luggin.drivers.held_points import HeldPoints
from luggin.drivers.stepped_plan import Plan
from luggin.protocol.capability import Capability, check
from luggin.protocol.instrument import Activity, Cell, Status
from luggin.protocol.program import Limit, Program

CAPACITY = 500_000
"""Points that are kept until they are acknowledged."""
LARGEST_PROGRAM = 64 * 1024


class Memory:
    """Lives as long as the driver object, in the host's memory: a host that was started anew is another boot.

    `now` is the host's monotonic time in s.
    """

    def __init__(self, now: float) -> None:
        self.boot = secrets.token_hex(8)
        self._born = now
        self.program: Program | None = None
        self.points: HeldPoints | None = None
        self.plan: Plan | None = None
        self._armed = self._done = self._occupied = False

    @contextlib.contextmanager
    def occupied(self) -> Iterator[None]:
        """For one session at a time.  Raises NotReachable."""
        if self._occupied:
            raise NotReachable("another session has this instrument; close that first")
        self._occupied = True
        try:
            yield
        finally:
            self._occupied = False

    @property
    def activity(self) -> Activity:
        if self._armed:
            return Activity.ARMED
        return Activity.IDLE if self.plan is None or self._done else self.plan.activity

    def clock(self, now: float) -> float:
        return now - self._born

    def arm(self, run: str, program: Program, capability: Capability) -> None:
        """Raises Refused."""
        if self.activity not in (Activity.IDLE, Activity.ARMED, Activity.ENDED):
            raise Refused(f"not possible while the run is {self.activity.value}")
        points = self.points
        if points is not None and points.oldest < points.next:
            held = f"points {points.oldest} to {points.next - 1} of run {points.run}"
            raise Refused(f"{held} wait to be acknowledged")
        problems = check(program, capability)
        if problems:
            raise Refused("; ".join(map(str, problems)))
        self.program, self.plan = program, None
        self.points = HeldPoints(run, self.boot, capability.buffer, _columns(program, capability))
        self._armed, self._done = True, False

    def begin(self, run: str, capability: Capability) -> tuple[Plan, Program, HeldPoints]:
        """The armed program begins; it is armed no longer.  Raises Refused."""
        if not self._armed or self.program is None or self.points is None:
            raise Refused(f"not possible while the instrument is {self.activity.value}; arm a program first")
        if run != self.points.run:
            raise Refused(f"run {self.points.run} is armed, not {run}; arm it first")
        self._armed = False
        self.plan = Plan(self.program, capability)
        return self.plan, self.program, self.points

    def disarm(self) -> None:
        self._armed = False

    def acknowledge(self, run: str, after: int) -> None:
        points = self.points_of(run)
        if after > points.next:
            raise Refused(f"there is no point {after - 1}; the next one is {points.next}")
        points.forget(after)
        if self.activity is Activity.ENDED and points.oldest == points.next:
            self._done = True

    def points_of(self, run: str) -> HeldPoints:
        """The points that are held, which must be those of this run.  Raises Refused."""
        if self.points is None or self.points.run != run:
            here = "none" if self.points is None else self.points.run
            raise Refused(f"points of run {run} are not held here; held is {here}")
        return self.points

    def status(self, now: float, cell: Cell) -> Status:
        plan, points = self.plan, self.points
        return Status(
            activity=self.activity,
            cell=cell,
            boot=self.boot,
            clock=self.clock(now),
            run=None if points is None else points.run,
            outcome=plan.outcome if plan else None,
            detail=_detail(plan) if plan else "",
            oldest=points.oldest if points else 0,
            next=points.next if points else 0,
            lost=points.lost if points else 0,
            run_time=plan.time if plan else 0.0,
            phase=plan.phase if plan else 0,
            cycle=plan.cycle if plan else 0,
        )


def _detail(plan: Plan) -> str:
    if plan.active or not plan.slips:
        return plan.detail
    late = f"{plan.slips} readings came late by more than a step, and the plan waited for them"
    return f"{plan.detail}; {late}" if plan.detail else late


def _columns(program: Program, capability: Capability) -> list[str]:
    """The columns that points of this program have, in order."""
    segments = [segment for block in program.blocks for segment in block.segments]
    absent = set()
    if not any(segment.integrate for segment in segments) and program.limits.charge == Limit():
        absent.add("charge")
    if not any(segment.statistics for segment in segments):
        absent |= {"current_minimum", "current_maximum"}
    return [name for name in capability.columns if name not in absent]
