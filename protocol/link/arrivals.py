"""What came from the instrument, in the order in which it happened: points without gaps or repeats, status changes.

A lost message shows as an index that jumps, or in a report that tells of more points sent than came.  Then everything
from the first missing point on is asked for again and what comes in between is dropped: the instrument still has it.
"""

import math

from luggin.protocol.instrument import Activity, Status
from luggin.protocol.points import Batch

News = Batch | Status


def over(status: Status) -> bool:
    """Whether the run of this status has ended."""
    return status.outcome is not None and status.activity in (Activity.ENDED, Activity.IDLE)


class Arrivals:
    """Follows the points of one run.

    `expected` is the index of the next point; `missing` is set when points from there on have to be asked for again.
    While `asked` is set that has been done.
    """

    def __init__(self) -> None:
        self.run: str | None = None
        self.expected = 0
        self.missing = False
        self.asked = False
        self._paused = False
        self._latest: Status | None = None
        self._told: Status | None = None
        self._held_back: Status | None = None

    def follow(self, run: str, first: int) -> None:
        """From here on points of `run` with indices from `first` are awaited."""
        self.run, self.expected = run, first
        self.missing = False
        self._held_back = None
        if self._latest is not None and self._latest.run == run and over(self._latest):
            self._held_back, self._told = self._latest, None

    def points(self, batch: Batch) -> list[News]:
        """Take a batch; returns what is news."""
        if batch.run != self.run:
            return []
        if self._paused or batch.first > self.expected:
            self.missing = True
            return []
        part = batch.cut(self.expected, batch.after)
        if part is None:
            return []
        self.expected = part.after
        self.missing = self.asked = False
        return [part, *self._released()]

    def report(self, status: Status, sent: float = math.inf) -> list[News]:
        """Take a status before which the points below index `sent` were sent; returns what is news.

        The first status is what all others are compared with.  One that says the run is over waits until the last
        point has come.
        """
        if self._latest is None:
            self._told = status
        self._latest = status
        if status.run == self.run:
            self.missing = self.missing or min(sent, status.next) > self.expected
            if over(status) and self.expected < status.next:
                self._held_back = status
                return []
        self._held_back = None
        return self._told_once(status)

    def replay_from(self, first: int) -> list[News]:
        """The instrument sends on from index `first`: what lies before is gone for good."""
        self.asked = self.missing = False
        self.expected = max(self.expected, first)
        return self._released()

    def pause(self) -> None:
        """Drop points from here on; the instrument keeps them."""
        self._paused = True

    def resume(self) -> None:
        self._paused = False

    @property
    def wanting(self) -> bool:
        """Whether points have to be asked for now."""
        return self.missing and not self.asked and not self._paused

    def _released(self) -> list[News]:
        status = self._held_back
        if status is None or self.expected < status.next:
            return []
        self._held_back = None
        return self._told_once(status)

    def _told_once(self, status: Status) -> list[News]:
        if self._told is not None and _distinct(status) == _distinct(self._told):
            return []
        self._told = status
        return [status]


def _distinct(status: Status) -> tuple[object, ...]:
    """What makes a status news."""
    return status.activity, status.cell, status.boot, status.run, status.outcome, status.phase, status.lost > 0
