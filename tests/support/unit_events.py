"""A representative alphabet of what can happen to a run machine, built for the unit at hand."""

from collections.abc import Iterator

from luggin.protocol.instrument import Activity, Cell, Outcome, Receipt, Status
from luggin.protocol.unit import Link, Order, Unit, events, next_deadline

ORDER = Order(run="run-1", silence=10.0, longest_hold=60.0, duration=1000.0, pausable=True)
BOOT = "boot-1"


def status(activity: Activity, cell: Cell = Cell.OFF, **fields: object) -> Status:
    given = {"boot": BOOT, "clock": 1e6, "run": ORDER.run, **fields}
    return Status(activity=activity, cell=cell, **given)  # type: ignore[arg-type]


IDLE = status(Activity.IDLE, run=None)
RUNNING = status(Activity.RUNNING, Cell.ON, next=5)
STATUSES = {
    "idle": IDLE,
    "idle, read-back fails": status(Activity.IDLE, Cell.UNKNOWN, run=None),
    "armed": status(Activity.ARMED),
    "running": RUNNING,
    "running for long without a host": status(Activity.RUNNING, Cell.ON, next=5, silence=1e4),
    "held": status(Activity.HELD, Cell.ON, next=5),
    "closing": status(Activity.CLOSING, Cell.ON, next=5),
    "after-run": status(Activity.AFTER_RUN, Cell.ON, next=5),
    "overflowed": status(Activity.RUNNING, Cell.ON, next=20, oldest=12),
    "running another": status(Activity.RUNNING, Cell.ON, run="run-9", next=5),
    "restarted": status(Activity.IDLE, run=None, boot="boot-2"),
    "ended without a reason": status(Activity.ENDED, next=5),
    **{f"ended: {outcome}": status(Activity.ENDED, outcome=outcome, next=5) for outcome in Outcome},
}
RECEIPTS = {cell: Receipt(cell, "" if cell is Cell.OFF else "no answer") for cell in Cell}


def happenings(unit: Unit, at: float, token: str = "token-next") -> Iterator[tuple[str, events.Event]]:
    """Everything that may happen to `unit` at time `at`, with a name for messages."""
    run, epoch = ORDER.run, unit.epoch
    yield "start", events.Start(at, "anna", unit.token or "none", ORDER)
    yield "start, old token", events.Start(at, "anna", "old", ORDER)
    yield "hold", events.Hold(at, "anna")
    yield "unhold", events.Unhold(at, "anna", unit.token or "none")
    yield "unhold, old token", events.Unhold(at, "anna", "old")
    yield "stop", events.Stop(at, "anna")
    yield "abort", events.Abort(at, "anna")
    yield "clear", events.Clear(at, "anna")
    yield "attest", events.Attest(at, "anna")
    yield "tick", events.Tick(max(at, next_deadline(unit)))
    yield "token", events.TokenMade(at, token)
    yield "fault", events.Fault(at, "something broke")
    yield "interlock", events.Interlocked(at, "the door is open")
    yield "shutdown", events.Shutdown(at)
    yield "shutdown that leaves the run", events.Shutdown(at, leave=True)
    yield "link lost", events.LinkLost(at, epoch, "cable pulled")
    for name, each in STATUSES.items():
        if unit.link is Link.LOST:
            yield f"connected, {name}", events.Connected(at, epoch + 1, each)
            if each.next and not each.outcome:
                yield f"connected, {name}, unknown", events.Connected(at, epoch + 1, each, known=False)
        yield f"told {name}", events.Told(at, epoch, each)
    yield "told over an old connection", events.Told(at, epoch - 1, RUNNING)
    for cell, receipt in RECEIPTS.items():
        yield f"cell-off answered {cell}", events.OffAnswered(at, epoch, receipt)
    yield "points", events.Arrived(at, epoch, run, BOOT, 0, 3)
    yield "more points", events.Arrived(at, epoch, run, BOOT, 3, 5)
    yield "points behind a hole", events.Arrived(at, epoch, run, BOOT, 12, 14)
    yield "points of another run", events.Arrived(at, epoch, "run-9", BOOT, 0, 3)
    yield "limit violated", events.Violated(at, epoch, run, "potential 3 V is above its hard limit")
    yield "armed", events.Armed(at, epoch, run)
    yield "started", events.Started(at, epoch, run)
    for effect in ("Prepare", "Begin", "Pause", "Resume", "End"):
        yield f"{effect} refused", events.Failed(at, epoch, run, effect, "no", True)
        yield f"{effect} unanswered", events.Failed(at, epoch, run, effect, "no answer", False)
    yield "declined", events.Declined(at, run, "the disk is full")
    yield "stored", events.Stored(at, run, 0, 3)
    yield "more stored", events.Stored(at, run, 3, 5)
    yield "not stored", events.NotStored(at, run, "the disk failed", False)
    yield "disk full", events.NotStored(at, run, "the disk is full", True)
    yield "sealed", events.Sealed(at, run)
