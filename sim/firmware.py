"""The whole instrument without a line: bytes and time in, bytes out.

    firmware = Firmware(Settings.parse({"cell": "redox-probe"}), now=time.monotonic())
    firmware.receive(data, now)          # what the line brought
    firmware.advance(now)                # what is due by now, a bounded piece of it
    while line_is_free and (frame := firmware.frame(now)):
        line.write(frame)
    wait_for_bytes_or(firmware.wakeup(now))

`now` is real monotonic time in s.  Nothing else tells the time, and nothing here waits.
"""

import secrets
from collections.abc import Callable

from luggin.sim.device import Device, Log
from luggin.sim.dialogue import Dialogue
from luggin.sim.executor.execution import MOST_AT_ONCE
from luggin.sim.settings import Settings
from luggin.sim.trouble import Trouble


def _never_used_before() -> str:
    return secrets.token_hex(8)


class Firmware:
    """A simulated instrument on a line.  What it measures depends on settings and program, not on how it is called."""

    def __init__(
        self,
        settings: Settings,
        now: float,
        *,
        trouble: Trouble | None = None,
        log: Log | None = None,
        boots: Callable[[], str] = _never_used_before,
    ) -> None:
        self.trouble = trouble or Trouble()
        self.device = Device(settings, boots, now, self.trouble, log)
        self._dialogue = Dialogue(self.device)

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes from the line and act on the requests that they complete."""
        self._dialogue.receive(data, now)

    def advance(self, now: float, most: int = MOST_AT_ONCE) -> None:
        """Do what is due, computing at most so many samples."""
        self.device.advance(now, most)

    def frame(self, now: float) -> bytes:
        """The next frame to send, chosen now: call it only when the line can take it.  Empty when there is none."""
        return self._dialogue.frame(now)

    def wakeup(self, now: float) -> float | None:
        """Real time at which `advance` and `frame` have something to do, if no bytes come before; None: never."""
        times = (self.device.wakeup(now), self.frame_due())
        return min((time for time in times if time is not None), default=None)

    def frame_due(self) -> float | None:
        """When `frame` alone will have something that it has not now, if nothing else happens."""
        return self._dialogue.wakeup()

    def reboot(self, now: float) -> None:
        """The power fails and comes back."""
        self.device.power_up(now)
        self._dialogue = Dialogue(self.device)
