"""The dead-man timer: real time since the host last said that all is well."""

from enum import Enum

from luggin.protocol.program import DeadMan


class Verdict(Enum):
    """What the timer asks for now."""

    NOTHING = "nothing"
    FIRE = "fire"  # the host has been silent for too long: do what the program says
    OPEN = "open"  # what was allowed after that is over: open the cell


class Heard(Enum):
    """What a keep-alive meant."""

    NOTHING = "nothing"  # it says no more than was known
    WELL = "well"
    BACK = "back"  # well again, in time, after what was to happen in silence had begun


class DeadManTimer:
    """Runs while a cell is energised; all times are the instrument's real clock in s."""

    def __init__(self, rule: DeadMan, clock: float) -> None:
        self.rule = rule
        self._fed = clock
        self._opens: float | None = None  # once fired: when the cell opens

    def silence(self, clock: float) -> float:
        return max(0.0, clock - self._fed)

    def feed(self, quoted: float, clock: float) -> Heard:
        """A host was well when the clock showed `quoted`."""
        if quoted > clock or quoted <= self._fed:
            return Heard.NOTHING
        self._fed = quoted
        if self._opens is None:
            return Heard.WELL
        if self.rule.action != "continue" or self.silence(clock) >= self.rule.timeout:
            return Heard.NOTHING
        self._opens = None
        return Heard.BACK

    @property
    def deadline(self) -> float:
        """When the timer next asks for something."""
        return self._fed + self.rule.timeout if self._opens is None else self._opens

    def verdict(self, clock: float) -> Verdict:
        if clock < self.deadline:
            return Verdict.NOTHING
        if self._opens is not None or self.rule.action == "open":
            return Verdict.OPEN
        self._opens = self.deadline + self.rule.duration
        return Verdict.FIRE
