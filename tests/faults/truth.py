"""What really happened at a simulated instrument, kept beside it: the points it made, its relay, its host's word."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from luggin.protocol.points import Batch
from luggin.protocol.program import DeadMan
from luggin.sim.device import Device
from luggin.sim.rig import Rig

CATCH_UP = 2.5
"""Seconds that an instrument which was woken late may take to act upon a deadline that has passed."""


@dataclass
class Closed:
    """A time during which the relay connected the cell.  `fed` is when the host last said that all is well, `rule`
    what was to happen without."""

    since: float
    run: str
    rule: DeadMan
    fed: float
    until: float | None = None


@dataclass
class Truth:
    """Hears everything; times are those of the loop.

    `batches` are the points of each run in order, `starts` the runs in the order in which they began to execute,
    `acknowledged` how far each run's points may have been forgotten, `overwritten` which a full buffer lost, `closed`
    when the cell was connected.
    `hung` is for how long (s) the instrument did nothing at all, `stuck` whether its relay ever refused.
    """

    time: Callable[[], float]
    batches: dict[str, list[Batch]] = field(default_factory=dict)
    starts: list[str] = field(default_factory=list)
    acknowledged: dict[str, int] = field(default_factory=dict)
    overwritten: dict[str, set[int]] = field(default_factory=dict)
    closed: list[Closed] = field(default_factory=list)
    hung: float = 0.0
    stuck: bool = False
    rebooted: bool = False
    wrong: list[str] = field(default_factory=list)
    device: Device | None = None
    _lost: dict[str, int] = field(default_factory=dict)

    @property
    def energised(self) -> bool:
        return bool(self.closed) and self.closed[-1].until is None

    def points(self, batch: Batch) -> None:
        kept = Batch(batch.run, batch.boot, batch.first, {k: np.array(v) for k, v in batch.columns.items()})
        self.batches.setdefault(batch.run, []).append(kept)
        buffer = self.device.buffer if self.device is not None else None
        if buffer is not None and buffer.lost > self._lost.get(batch.run, 0):
            count = buffer.lost - self._lost.get(batch.run, 0)
            self.overwritten.setdefault(batch.run, set()).update(range(buffer.oldest - count, buffer.oldest))
            self._lost[batch.run] = buffer.lost

    def event(self, run: str, time: float, what: str, value: object) -> None:
        pass

    def made(self, run: str) -> int:
        """How many points of a run there ever were."""
        batches = self.batches.get(run)
        return batches[-1].after if batches else 0

    def watch(self, rig: Rig) -> None:
        """Look over the shoulder of the instrument: what it is asked, and what its relay does."""
        self.device = device = rig.firmware.device
        relay, start, acknowledge, keep_alive = device._relay, device.start, device.acknowledge, device.keep_alive
        move, power_up = relay.move, device.power_up

        def moved(closed: bool) -> None:
            move(closed)
            self._relay(relay._closed, device.buffer.run if device.buffer else "", device._program)

        def started(run: str, quoted: float, now: float) -> None:
            start(run, quoted, now)
            self.starts.append(run)

        def acknowledged(run: str, after: int) -> None:
            acknowledge(run, after)
            self.acknowledged[run] = max(after, self.acknowledged.get(run, 0))

        def fed(quoted: float, now: float) -> None:
            keep_alive(quoted, now)
            age = device.clock(now) - quoted
            if self.energised and age >= 0:
                self.closed[-1].fed = max(self.closed[-1].fed, now - age)

        def powered_up(now: float) -> None:
            self.rebooted = True
            power_up(now)

        relay.move = moved  # type: ignore[method-assign]
        device.start, device.acknowledge = started, acknowledged  # type: ignore[method-assign]
        device.keep_alive, device.power_up = fed, powered_up  # type: ignore[method-assign]

    def overdue(self) -> list[str]:
        """Times during which the cell stayed connected although the host had fallen silent for too long."""
        found = list(self.wrong)
        for each in self.closed:
            until = self.time() if each.until is None else each.until
            rule = each.rule
            allowed = rule.timeout + (0.0 if rule.action == "open" else rule.duration)
            late = until - each.fed - allowed - self.hung - CATCH_UP
            if late > 0 and not self.stuck:
                found.append(f"run {each.run}: the cell stayed on {late:.1f} s too long without its host")
        return found

    def _relay(self, closed: bool, run: str, program: object) -> None:
        now = self.time()
        if closed and not self.energised:
            rule = getattr(program, "dead_man", DeadMan())
            fed = self.closed[-1].fed if self.closed and self.closed[-1].run == run else now
            self.closed.append(Closed(now, run, rule, fed))
        elif not closed and self.energised:
            self.closed[-1].until = now
