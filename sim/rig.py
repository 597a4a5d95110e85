"""A simulated instrument at the end of an imperfect line, with a script of faults: what the shells keep going."""

from collections.abc import Callable, Iterable

from luggin.sim.device import Log
from luggin.sim.executor.execution import MOST_AT_ONCE
from luggin.sim.faults import Fault
from luggin.sim.firmware import Firmware
from luggin.sim.line import Quality, Wire
from luggin.sim.settings import Settings
from luggin.sim.trouble import Measured, Spike, Trouble


class Rig:
    """Bytes and real time in, bytes out, as with a Firmware; in between things go wrong as scripted.

    Faults that wait for a run time come once, at the first run that gets there; a lost reference and spikes are part
    of every run and exact to the sample.
    """

    def __init__(self, settings: Settings, now: float, faults: Iterable[Fault] = (), log: Log | None = None) -> None:
        self._trouble = Trouble()
        self.firmware = Firmware(settings, now, trouble=self._trouble, log=log)
        self._quality = Quality()
        self._inward, self._outward = Wire(self._quality, settings.seed), Wire(self._quality, settings.seed + 1)
        self._waiting: list[Fault] = []
        self._stalled_until = now
        self.hang_up: Callable[[], None] = lambda: None
        """Set by the shell: closes the connection."""
        for fault in faults:
            self.fault(fault, now)

    @property
    def clean(self) -> bool:
        """Whether nothing is wrong with the line."""
        return self._quality == Quality()

    def fault(self, fault: Fault, now: float) -> None:
        """Let a fault come when its time has come."""
        match fault.kind:
            case "reference-lost":
                self._trouble.reference_lost = self.firmware.device.run_time if fault.at is None else fault.at
            case "current-spike" | "potential-spike":
                at = self.firmware.device.run_time if fault.at is None else fault.at
                measured: Measured = "current" if fault.kind == "current-spike" else "potential"
                self._trouble.spikes.append(Spike(at, measured, fault.value))
            case _ if fault.at is None:
                self._come(fault, now)
            case _:
                self._waiting.append(fault)

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes that the host sent."""
        self._inward.put(data, now)
        self._deliver(now)

    def work(self, now: float, most: int = MOST_AT_ONCE) -> bool:
        """Do what is due, computing at most so many samples; True when that was not enough."""
        if now < self._stalled_until:
            return False
        self._deliver(now)
        self.firmware.advance(now, most)
        reached = self.firmware.device.run_time
        for fault in [each for each in self._waiting if each.at is not None and each.at <= reached]:
            self._waiting.remove(fault)
            self._come(fault, now)
        return self.firmware.device.behind

    def send(self, now: float) -> list[bytes]:
        """Pieces for the host, when the line can take them; empty when there are none."""
        if now < self._stalled_until:
            return []
        while self._outward.free and (frame := self.firmware.frame(now)):
            self._outward.put(frame, now)
            if self.clean:
                break
        return self._outward.take(now)

    def wakeup(self, now: float) -> float | None:
        """Real time at which `work` or `send` have something to do, if no bytes come before."""
        times = (self.work_due(now), self.send_due())
        return min((time for time in times if time is not None), default=None)

    def work_due(self, now: float) -> float | None:
        """As `wakeup`, for `work` alone."""
        return self._first(self.firmware.device.wakeup(now), self._inward.wakeup())

    def send_due(self) -> float | None:
        """As `wakeup`, for `send` alone: it stays in the past for as long as nobody takes what is to be sent."""
        return self._first(self.firmware.frame_due(), self._outward.wakeup())

    def cut(self) -> None:
        """The connection is gone, and all that was under way."""
        self._inward.cut()
        self._outward.cut()

    def shut(self) -> None:
        """Open the cell before the instrument is switched off."""
        self.firmware.device.cell_off()

    def _first(self, *times: float | None) -> float | None:
        due = min((time for time in times if time is not None), default=None)
        return due if due is None else max(due, self._stalled_until)

    def _deliver(self, now: float) -> None:
        if now >= self._stalled_until:
            for piece in self._inward.take(now):
                self.firmware.receive(piece, now)

    def _come(self, fault: Fault, now: float) -> None:
        match fault.kind:
            case "drop":
                self.cut()
                self.hang_up()
            case "stall":
                self._stalled_until = now + fault.value
            case "reboot":
                self.cut()
                self.firmware.reboot(now)
            case "relay-stuck":
                self._trouble.relay = "stuck"
            case "relay-mute":
                self._trouble.relay = "mute"
            case "relay-sound":
                self._trouble.relay = "none"
            case "loss" | "garble" | "delay":
                setattr(self._quality, fault.kind, fault.value)
            case "crumbs":
                self._quality.crumbs = True
