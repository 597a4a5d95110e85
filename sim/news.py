"""What an instrument says by itself: reports of changes, and points as they come."""

import math

from luggin.protocol.instrument import Activity
from luggin.protocol.link.codec import points_that_fit
from luggin.protocol.link.message import Points, Report
from luggin.protocol.link.numbers import Code
from luggin.sim.device import Device, Standing
from luggin.sim.refused import Refused

LATEST = 0.1
"""Seconds after which points go out although they don't fill a message."""
_MOST = 64  # points looked at for one message


class News:
    """Follows a device and cuts messages from it, when asked to."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._told: Standing | None = None
        self._sending = False
        self.sent = 0
        """Index after the last point of the run that went on the line."""
        self._fits = _MOST  # points that fit a message, as far as the last ones showed
        self._due: float | None = None  # when points go out that don't fill a message

    def pause(self) -> None:
        """A new session: no points until they are asked for; what changed while nobody listened is no news."""
        self._sending, self._told, self._due = False, None, None

    def send_from(self, run: str, first: int) -> int:
        """Send points from `first` on, or from the oldest held; returns from where.  Raises Refused."""
        buffer = self._device.points_of(run)
        if first > buffer.next:
            raise Refused(Code.OUT_OF_RANGE, f"there is no point {first}; the next one is {buffer.next}")
        self.sent, self._sending = max(first, buffer.oldest), True
        self._due = -math.inf if self.sent < buffer.next else None  # what waited already waits no longer
        return self.sent

    def next(self, now: float, room: int) -> Report | Points | None:
        """The next message of at most `room` bytes, if there is one."""
        before, self._told = self._told, self._device.standing
        if before is not None and before != self._told:
            return Report(0, self.sent, self._device.status(now))
        return self._points(now, room) if self._sending else None

    def wakeup(self) -> float | None:
        """Real time at which points go out that don't fill a message, where such points wait."""
        return self._due

    def _points(self, now: float, room: int) -> Points | None:
        buffer = self._device.buffer
        if buffer is None or self.sent >= buffer.next:
            return None
        if buffer.next - self.sent < self._fits and not self._is_late(now):
            return None
        self.sent = max(self.sent, buffer.oldest)
        batch, even = buffer.batch(self.sent, _MOST)
        message = points_that_fit(batch, even, room)
        if message.batch.count < batch.count:
            self._fits = message.batch.count
        self.sent = message.batch.after
        self._due = None
        return message

    def _is_late(self, now: float) -> bool:
        """Whether unsent points have waited for long enough; the first look starts the clock."""
        if self._due is None:
            self._due = now + LATEST
        return now >= self._due or self._device.activity is Activity.ENDED
