"""What the unit makes of its instrument's news: where it stands, what it measured, what became of a request."""

from dataclasses import replace

from luggin.protocol.instrument import Activity, Cell, Receipt, Status
from luggin.protocol.unit.commands import ending
from luggin.protocol.unit.effects import (
    Anchor,
    Begin,
    Effect,
    End,
    Pause,
    Prepare,
    Record,
    Replay,
    Resume,
)
from luggin.protocol.unit.events import Failed
from luggin.protocol.unit.moves import ABORTS, ACT_WITHIN, WORKING, Moved, abort, ended, forgotten, slack, want_off
from luggin.protocol.unit.state import RUNNING, Link, Off, Run, State, Unit

_STALE_WITHIN = 60.0
_UNSEEN = "The instrument no longer knows the run; its end was not seen."
_RESTARTED = "The instrument restarted during the run; points that it still held are gone."
_DOUBTFUL = "Before the start the instrument restarted or could no longer tell whether the cell is off."
_FOREIGN = "The instrument was energised though nothing was started here."


# The link


def connected(unit: Unit, epoch: int, status: Status, known: bool) -> Moved:
    """Ask the instrument first: a run of ours within its dead-man allowance is adopted, all else gets cell-off."""
    if unit.link is Link.UP:
        unit, _ = link_lost(unit, "A new connection took its place.")
    off = None if unit.off is None else replace(unit.off, asked=False, retry=None)
    unit = replace(unit, link=Link.UP, link_since=unit.at, epoch=epoch, attested="", off=off, proven=False)
    run = unit.run
    ours = known or (run is not None and status.run == run.id)
    strange = None if ours or status.run is None or status.oldest >= status.next else (status.run, status.next)
    unit = replace(unit, boot=status.boot, clock=status.clock, strange=strange)
    if run is None or not run.begun:
        if status.activity in WORKING or status.cell is Cell.ON:
            return abort(unit, _FOREIGN, "")
        if strange is not None:
            words = f"The instrument holds {status.next - status.oldest} points of run {strange[0]}, unknown here"
            return abort(_read_back(unit, status), f"{words}; clear discards them.", "")
        return want_off(_read_back(unit, status))
    run = replace(run, seen=True)
    unit = replace(unit, run=run)
    if not _mine(run, status):
        return _disowned(unit, run, status)
    # Nothing of this connection is on its way yet, so what the instrument no longer holds is lost.
    tally = replace(run.tally, oldest=status.oldest).lose(status.oldest)
    run = replace(run, tally=tally)
    unit = replace(unit, run=run)
    replay = Replay(run.id, tally.received)
    over = run.tally.end is not None or unit.state not in RUNNING
    if status.activity in WORKING and (over or _overdue(run, status)):
        reason = unit.reason if over else "The instrument went on for longer than its dead-man rule allows."
        unit, effects = abort(unit, reason, "dead-man")
    elif over:
        unit, effects = want_off(unit)
        unit, more = _note_end(unit, status)
        effects += more
    else:
        left = max(0.0, run.order.duration - status.run_time)
        unit = replace(unit, run=replace(run, ends_by=unit.at + slack(left)))
        if unit.state is State.UNHOLDING:  # whether the command got through, the instrument's activity says
            unit = replace(unit, state=State.EXECUTE)
        unit, effects = _follow(_read_back(unit, status), status)
        if unit.state is State.STOPPING and status.activity in (Activity.RUNNING, Activity.HELD) and unit.run:
            unit, more = ending(unit, unit.run, unit.reason)
            effects += more
        if unit.state in RUNNING:
            effects += (Record(run.id, "adopted", "The instrument is back and the run goes on."), Anchor())
    return unit, (*effects, replay)


def link_lost(unit: Unit, sentence: str) -> Moved:
    """The instrument executes out of sight, for as long as its dead-man rule lets it."""
    if unit.link is Link.LOST:
        return unit, ()
    off, cell, run = unit.off, unit.cell, unit.run
    if off is not None:
        off, cell = Off(failures=off.failures + (1 if off.asked else 0), detail=off.detail or sentence), Cell.UNKNOWN
    unit = replace(unit, link=Link.LOST, link_since=unit.at, proven=False, off=off, cell=cell)
    note: tuple[Effect, ...] = () if run is None else (Record(run.id, "link", sentence),)
    if unit.state is State.STARTING or (
        unit.state in RUNNING and run is not None and run.tally.end is None and run.order.silence is None
    ):
        unit, effects = abort(unit, sentence, "link-lost")
        return unit, (*note, *effects)
    if unit.state is State.CLEARING:
        unit = replace(unit, state=State.ABORTED)
    return unit, note


def _overdue(run: Run, status: Status) -> bool:
    return run.order.silence is None or status.silence > slack(run.order.silence)


# Where the instrument stands


def told(unit: Unit, status: Status) -> Moved:
    # A clock that went back further was set or has run over.
    if status.boot == unit.boot and 0 < unit.clock - status.clock < _STALE_WITHIN:
        return unit, ()
    restarted = status.boot != unit.boot
    unit = replace(unit, boot=status.boot, clock=status.clock)
    run = unit.run
    if run is None or not run.begun:
        if status.activity in WORKING or status.cell is Cell.ON:
            return abort(unit, _FOREIGN, "")
        if restarted or (unit.proven and status.cell is Cell.UNKNOWN):
            starting = unit.state is State.STARTING
            return abort(unit, _DOUBTFUL, "unconfirmed") if starting else want_off(unit)
        return _read_back(unit, status), ()
    if _from_before(unit, run, status):
        return unit, ()
    if not _mine(run, status):
        return _disowned(unit, run, status)
    unit = replace(unit, run=replace(run, tally=replace(run.tally, oldest=max(run.tally.oldest, status.oldest))))
    if unit.state in RUNNING or unit.state is State.STARTING:
        return _follow(_read_back(unit, status), status)
    if status.activity in WORKING or status.cell is Cell.ON:
        return want_off(unit)  # mostly old news, but that is for a receipt to say
    return _note_end(_read_back(unit, status), status)


def _mine(run: Run, status: Status) -> bool:
    return status.boot == run.boot and status.run == run.id


def _from_before(unit: Unit, run: Run, status: Status) -> bool:
    """Whether this tells of the time before the start of a run that was asked for already."""
    waiting = not run.seen and (unit.state is State.STARTING or unit.state in RUNNING)
    quiet = status.activity in (Activity.IDLE, Activity.ARMED) and status.cell is not Cell.ON
    return waiting and quiet and status.boot == run.boot


def _read_back(unit: Unit, status: Status) -> Unit:
    # While a cell-off is to be confirmed, only its receipt may say off.
    if unit.off is not None and status.cell is not Cell.ON:
        return unit
    if unit.off is not None and unit.off.failures:
        return unit
    return replace(unit, cell=status.cell, cell_read=unit.at)


def _disowned(unit: Unit, run: Run, status: Status) -> Moved:
    """The instrument has no more of our run: it restarted, or it does something else."""
    reason = _RESTARTED if status.boot != run.boot else _UNSEEN
    energised = status.activity in WORKING or status.cell is Cell.ON
    over = run.tally.end is not None or not (unit.state is State.STARTING or unit.state in RUNNING)
    unit, effects = forgotten(unit, run, reason)
    if not over or energised:
        unit, more = abort(unit, reason, "restarted" if status.boot != run.boot else "forgotten")
        return unit, (*effects, *more)
    if not unit.proven:
        unit, more = want_off(unit)
        effects += more
    return unit, effects


def _note_end(unit: Unit, status: Status) -> Moved:
    run = unit.run
    return (unit, ()) if run is None else ended(unit, run, status)


def _follow(unit: Unit, status: Status) -> Moved:
    """A run of ours is on: the state follows what the instrument does."""
    run = unit.run
    assert run is not None
    state = unit.state
    if run.tally.end is not None:
        return unit, ()
    if not run.seen:
        run = replace(run, seen=True)
        unit = replace(unit, run=run, bound=None)
    match status.activity:
        case Activity.ENDED:
            return ended(unit, run, status)
        case Activity.IDLE:
            return ended(unit, run, status) if status.outcome is not None else abort(unit, _UNSEEN, "forgotten")
        case Activity.ARMED:
            return abort(unit, _UNSEEN, "forgotten")
        case Activity.RUNNING if state in (State.STARTING, State.UNHOLDING, State.HELD):
            return started(unit, run)
        case Activity.HELD if state in (State.STARTING, State.EXECUTE, State.HOLDING):
            bound = unit.at + slack(run.order.longest_hold)
            return replace(unit, state=State.HELD, bound=bound, run=replace(run, flagged=True)), ()
        case Activity.CLOSING if state is not State.STOPPING:
            return replace(unit, state=State.STOPPING, bound=None, reason="The run was stopped at the instrument."), ()
        case Activity.AFTER_RUN if state not in (State.STOPPING, State.COMPLETING):
            reason = "The program is over; the method's hold after it is on."
            return replace(unit, state=State.COMPLETING, bound=None, reason=reason), ()
        case Activity.CLOSING | Activity.AFTER_RUN:
            return replace(unit, bound=None), ()
    return unit, ()


def started(unit: Unit, run: Run) -> Moved:
    """The instrument executes."""
    ends_by = unit.at + slack(run.order.duration) if run.ends_by is None else run.ends_by
    effects: tuple[Effect, ...] = (Anchor(),) if unit.state is State.STARTING else ()
    run = replace(run, ends_by=ends_by)
    bound = None if run.seen else unit.at + ACT_WITHIN
    return replace(unit, state=State.EXECUTE, bound=bound, run=run), effects


# What became of requests


def armed(unit: Unit, run: Run) -> Moved:
    """The program is loaded: execute it.  From here on the cell counts as on until it is proven off."""
    if unit.state is not State.STARTING or run.begun:
        return unit, ()
    return replace(unit, proven=False, cell=Cell.ON, run=replace(run, begun=True)), (Begin(run.id),)


def off_answered(unit: Unit, receipt: Receipt) -> Moved:
    off = unit.off
    if off is None or not off.asked:
        return unit, ()
    if receipt.confirmed:
        unit = replace(unit, off=None, proven=True, cell=Cell.OFF, cell_read=unit.at, attested="")
        following = {
            State.COMPLETING: State.COMPLETE,
            State.STOPPING: State.STOPPED,
            State.ABORTING: State.ABORTED,
        }
        return replace(unit, state=following.get(unit.state, unit.state)), ()
    failures = off.failures + 1
    retry = unit.at + min(10.0, 0.25 * 2.0 ** min(failures, 10))
    detail = receipt.detail or f"the read-back says {receipt.cell}"
    off = Off(failures=failures, retry=retry, detail=detail)
    reason = f"The cell could not be confirmed off: {detail}."
    note: tuple[Effect, ...] = ()
    if failures == 1:
        note = (Record(None if unit.run is None else unit.run.id, "cell", reason, {"cell": Cell.UNKNOWN.value}),)
    run = unit.run
    if run is not None and unit.state not in ABORTS:
        run = replace(run, cause=run.cause or "unconfirmed")
    reason = unit.reason if unit.state is State.ABORTING else reason
    unit = replace(unit, state=State.ABORTING, reason=reason, off=off, cell=Cell.UNKNOWN, proven=False, run=run)
    return unit, note


def failed(unit: Unit, run: Run, event: Failed) -> Moved:
    """A slow effect failed.  What the instrument refused did not happen; all else is not known and made safe."""
    match event.effect, unit.state:
        case Prepare.__name__ | Begin.__name__, State.STARTING if event.refused:
            run = replace(run, begun=False, cause="refused", tally=run.tally.ended(0))
            return want_off(replace(unit, state=State.STOPPING, reason=event.sentence, run=run))
        case Pause.__name__, State.HOLDING:
            return replace(unit, state=State.EXECUTE, reason=event.sentence), ()
        case Resume.__name__, State.UNHOLDING:
            bound = unit.at + slack(run.order.longest_hold)
            return replace(unit, state=State.HELD, bound=bound, reason=event.sentence), ()
        case (Prepare.__name__ | Begin.__name__, State.STARTING) | (End.__name__, State.STOPPING):
            return abort(unit, event.sentence, "fault")
    return unit, ()
