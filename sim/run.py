"""A program in real time: its pace, and the dead-man timer over it.  Times are the instrument's clock in s."""

from luggin.protocol.instrument import Outcome
from luggin.protocol.program import DeadMan
from luggin.sim.deadman import DeadManTimer, Heard, Verdict
from luggin.sim.executor.execution import Execution

BEAT = 0.01
"""Seconds within which samples that are due are computed together."""
CATCH_UP = 2.0
"""Seconds for which a run that was woken late may compute what it missed."""


class Run:
    """An execution that began when the clock showed `clock` and runs `speed` times as fast as it."""

    def __init__(self, execution: Execution, rule: DeadMan, clock: float, speed: float) -> None:
        self.execution = execution
        self.behind = False
        """Whether more was due than the last `advance` could compute."""
        self._timer = DeadManTimer(rule, clock)
        self._started = self._advanced = clock
        self._speed = speed
        self._behind_since: float | None = None
        self._passed_when_fed = 0.0

    def advance(self, clock: float, most: int) -> None:
        """Compute what is due, `most` samples at most, and do what the timer asks for."""
        execution, timer = self.execution, self._timer
        self.behind, self._advanced = False, clock
        if not execution.active:
            return
        target = (min(clock, timer.deadline) - self._started) * self._speed
        self.behind = execution.advance(target, most) >= most
        self._behind_since = None if not self.behind else self._behind_since or clock
        if not execution.active or self._may_catch_up(clock):
            return
        match timer.verdict(clock):
            case Verdict.OPEN:
                execution.end(Outcome.DEAD_MAN, f"the host was silent for {timer.silence(clock):.3g} s")
            case Verdict.FIRE:
                self.behind = True
                self._fire()

    def wakeup(self, clock: float) -> float | None:
        """When `advance` has something to do, if nothing else happens before."""
        if not self.execution.active:
            return None
        if self.behind:
            return clock
        due = self.execution.next_due
        if due is None:
            return self._timer.deadline
        return min(self._timer.deadline, max(self._started + due / self._speed, self._advanced + BEAT))

    def keep_alive(self, quoted: float, clock: float) -> None:
        """The host was well when the clock showed `quoted`."""
        heard = self._timer.feed(quoted, clock)
        if heard is not Heard.NOTHING:
            self._passed_when_fed = self.execution.passed
        if heard is Heard.BACK:
            self.execution.allow(None)

    def silence(self, clock: float) -> float:
        """How long the host has been silent; 0 where nothing is energised."""
        return self._timer.silence(clock) if self.execution.active else 0.0

    def _may_catch_up(self, clock: float) -> bool:
        """Whether the timer still waits for what should have been computed before its deadline.

        It does for a while where nobody woke the run in time, but not where computing was too slow all along.
        """
        since = self._behind_since
        return since is not None and since >= self._timer.deadline and clock < since + CATCH_UP

    def _fire(self) -> None:
        rule = self._timer.rule
        if rule.action == "hold" and rule.potential is not None:
            self.execution.abandon(rule.potential)
        elif rule.action == "continue":
            passed = self.execution.passed - self._passed_when_fed
            self.execution.allow(None if rule.charge is None else rule.charge - passed)
        else:
            self.execution.end(Outcome.DEAD_MAN, "the host fell silent, and no potential to hold is given")
