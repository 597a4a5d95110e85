"""The run machine: `step` takes the unit from one event to the next and says what is to be done.

It is total: a command that doesn't fit is Rejected with its reason, stale news change nothing, nothing raises.  It has
no clock: events carry the time, and `next_deadline` says when the shell must send a Tick.
"""

from dataclasses import replace
from enum import Enum, auto

from luggin.protocol.instrument import Cell, Outcome
from luggin.protocol.unit import commands, events, news, points
from luggin.protocol.unit.effects import Acknowledge, Effect, NewToken, Publish, Record, Seal
from luggin.protocol.unit.moves import ABORTS, Moved, abort, slack, want_off
from luggin.protocol.unit.state import RUNNING, Link, Off, Run, State, Unit, leavable, trouble

TOKEN_LIFE = 60.0
_PATIENCE = (2.0, 4.0, 8.0, 10.0)
_RESULTS = {
    State.COMPLETE: "Complete",
    State.STOPPED: "Stopped",
    State.ABORTED: "Aborted",
    State.CLEARING: "Aborted",
}


class _Due(Enum):
    OFF = auto()  # try again to switch the cell off
    SILENCE = auto()  # out of sight for longer than the dead-man rule allows
    OVERTIME = auto()  # the run should be over
    ACTING = auto()  # the instrument did not follow a command
    PATIENCE = auto()  # points or a commit are overdue
    TOKEN = auto()


def begin(at: float) -> Unit:
    """A unit of which nothing is known yet: no link, cell unknown."""
    return Unit(at=at, link_since=at, token_until=at, reason="The daemon has started.")


def restored(at: float, aborted: str, run: Run | None, state: State | None) -> Unit:
    """The unit as an earlier daemon left it behind.

    `aborted` is the reason of an abort that nobody cleared, or empty; `run` a run without a result, `state` the last
    one that was recorded of it.
    """
    unit = replace(begin(at), run=run)
    if aborted or state in ABORTS:
        return replace(unit, state=State.ABORTING, reason=aborted or "An abort was under way.", off=Off())
    if run is None:
        return unit
    over = {Outcome.COMPLETED: State.COMPLETING, Outcome.STOPPED: State.STOPPING, Outcome.HOLD_EXPIRED: State.STOPPING}
    reason = "The daemon was restarted during the run."
    if run.tally.end is not None:
        ending = State.ABORTING if run.outcome is None else over.get(run.outcome, State.ABORTING)
        return replace(unit, state=ending, reason=reason, off=Off())
    stopping = state in (State.STOPPING, State.STOPPED)
    return replace(unit, state=State.STOPPING if stopping else State.EXECUTE, reason=reason)


def step(unit: Unit, event: events.Event) -> Moved:
    """The unit after `event`, and the effects of it in order."""
    if isinstance(event, events.News) and (event.epoch != unit.epoch or unit.link is Link.LOST):
        return unit, ()
    after, effects = _handle(replace(unit, at=max(unit.at, event.at)), event)
    return _settled(unit, after, effects)


def next_deadline(unit: Unit) -> float:
    """When the shell must send the next Tick."""
    return min(when for due in _Due if (when := _deadline(unit, due)) is not None)


def _handle(unit: Unit, event: events.Event) -> Moved:
    run = unit.run
    match event:
        case events.Start():
            return commands.start(unit, event.by, event.token, event.order)
        case events.Hold():
            return commands.hold(unit, event.by)
        case events.Unhold():
            return commands.unhold(unit, event.by, event.token)
        case events.Stop():
            return commands.stop(unit, event.by)
        case events.Abort():
            return abort(unit, f"{event.by} asked to abort.", "aborted")
        case events.Clear():
            return commands.clear(unit, event.by)
        case events.Attest():
            return commands.attest(unit, event.by)
        case events.Tick():
            return _tick(unit)
        case events.TokenMade():
            return replace(unit, token=event.token, token_until=unit.at + TOKEN_LIFE), ()
        case events.Shutdown():
            return _shutdown(unit, event.leave)
        case events.Fault():
            return abort(unit, event.sentence, "fault")
        case events.Interlocked():
            energised = unit.state is State.STARTING or unit.state in RUNNING
            return abort(unit, event.sentence, "interlock") if energised else (unit, ())
        case events.Connected():
            return news.connected(unit, event.epoch, event.status, event.known)
        case events.LinkLost():
            return news.link_lost(unit, event.sentence)
        case events.Told():
            return news.told(unit, event.status)
        case events.OffAnswered():
            return news.off_answered(unit, event.receipt)
        case _ if run is None or getattr(event, "run", None) != run.id:
            return unit, ()
        case events.Arrived():
            return points.arrived(unit, run, event)
        case events.Violated():
            # Points that come after the cell was proven off tell of the time before.
            limit = f"A safety limit was violated: {event.sentence}."
            return (unit, ()) if unit.proven else abort(unit, limit, "limit")
        case events.Armed():
            return news.armed(unit, run)
        case events.Started():
            return news.started(unit, run) if unit.state is State.STARTING and run.begun else (unit, ())
        case events.Failed():
            return news.failed(unit, run, event)
        case events.Declined() if unit.state is State.STARTING and not run.begun:
            return replace(unit, state=State.IDLE, reason=event.sentence, run=None), ()
        case events.Stored():
            return points.stored(unit, run, event)
        case events.NotStored():
            return points.not_stored(unit, run, event)
        case events.Sealed() if run.sealed:
            return _sealed(unit)
    return unit, ()


def _sealed(unit: Unit) -> Moved:
    """The run is in the books: Complete and Stopped lead back to Idle by themselves, Aborted only when cleared."""
    unit = replace(unit, run=None)
    if unit.state in (State.COMPLETE, State.STOPPED):
        return replace(unit, state=State.IDLE), ()
    return _cleared(unit), ()


def _cleared(unit: Unit) -> Unit:
    proven = unit.off is None or (unit.attested != "" and unit.link is Link.LOST)
    if unit.state is State.CLEARING and unit.run is None and proven:
        return replace(unit, state=State.IDLE)
    return unit


def _shutdown(unit: Unit, leave: bool) -> Moved:
    unit = replace(unit, closing=True)
    run = unit.run
    if run is not None and leavable(unit):
        if unit.leaving:  # said and recorded; what ends after that takes nothing back
            return unit, ()
        if leave:
            words = f"The daemon ends and leaves the run going, for at most {run.order.silence:g} s without a host."
            return replace(unit, leaving=True), (Record(run.id, "left", words, {"silence": run.order.silence}),)
    if unit.state is State.STARTING or unit.state in RUNNING:
        return abort(unit, "The daemon was shut down during the run.", "shutdown")
    # Confirmed off over a link that was lost since, it stays off: nothing was energised after.
    return (unit, ()) if unit.off is None and unit.cell is Cell.OFF else want_off(unit)


def _deadline(unit: Unit, due: _Due) -> float | None:
    run, up = unit.run, unit.link is Link.UP
    match due:
        case _Due.TOKEN:
            return unit.token_until
        case _Due.OFF if unit.off is not None and up and not unit.off.asked:
            return unit.off.retry if unit.off.retry is not None else unit.at
        case _Due.ACTING if up:
            return unit.bound
        case _Due.SILENCE if run is not None and not up and unit.state in RUNNING:
            return unit.link_since + slack(run.order.silence or 0.0)
        case _Due.OVERTIME if run is not None and up and unit.state in RUNNING and run.tally.end is None:
            return run.ends_by
        case _Due.PATIENCE if run is not None and up:
            return run.patience
    return None


def _tick(unit: Unit) -> Moved:
    effects: tuple[Effect, ...] = ()
    for due in _Due:
        when = _deadline(unit, due)
        if when is not None and when <= unit.at:
            unit, more = _overdue(unit, due)
            effects += more
    return unit, effects


def _overdue(unit: Unit, due: _Due) -> Moved:
    run = unit.run
    match due:
        case _Due.OFF:
            return want_off(unit)
        case _Due.SILENCE:
            reason = "The instrument was out of reach for longer than it may go on alone; that it opened the cell"
            return abort(unit, reason + " is not confirmed.", "no-contact")
        case _Due.OVERTIME:
            return abort(unit, "The run has lasted longer than its limit of duration allows.", "limit")
        case _Due.ACTING:
            held = unit.state is State.HELD
            reason = (
                "The hold outlasts what the method allows." if held else "The instrument did not follow the command."
            )
            return abort(unit, reason, "hold-expired" if held else "fault")
        case _Due.PATIENCE if run is not None:
            return points.impatient(unit, run)
        case _Due.TOKEN:
            return replace(unit, token="", token_until=unit.at + TOKEN_LIFE), (NewToken(),)
    return unit, ()


def _settled(before: Unit, after: Unit, effects: tuple[Effect, ...]) -> Moved:
    """What follows from a change whatever caused it: token, record, patience, the result of the run, publication."""
    after = _cleared(after)
    if after.state is not before.state:
        after = replace(after, token="", token_until=after.at + TOKEN_LIFE)
        effects = (*effects, NewToken(), *_records(before, after))
    after = _patience(before, after)
    run, old = after.run, before.run
    if run is not None and old is not None and run.tally.durable > old.tally.durable and after.link is Link.UP:
        effects = (*effects, Acknowledge(run.id, run.tally.durable))
    if run is not None and run.tally.complete and not run.sealed and not run.unstored and after.state in _RESULTS:
        run = replace(run, sealed=True)
        after = replace(after, run=run)
        effects = (*effects, _seal(after, run))
    if _outside(after) != _outside(before):
        effects = (*effects, Publish())
    return after, effects


def _records(before: Unit, after: Unit) -> tuple[Effect, ...]:
    run = after.run or before.run
    data = {"from": before.state.value, "to": after.state.value}
    notes: tuple[Effect, ...] = ()
    if run is not None and not run.sealed:
        notes = (Record(run.id, "state", f"{after.state}: {after.reason}", data),)
    if after.state in ABORTS and before.state not in ABORTS:
        notes += (Record(None, "aborted", after.reason, {"run": None if run is None else run.id}),)
    if after.state is State.IDLE and before.state in ABORTS:
        notes += (Record(None, "cleared", after.reason),)
    return notes


def _patience(before: Unit, after: Unit) -> Unit:
    run, old = after.run, before.run
    if run is None:
        return after
    if not (run.unstored or run.tally.waiting):
        return after if run.patience is None and not run.tries else _patient(after, run, None, 0)
    progress = old is not None and (old.tally.received, old.tally.durable) < (run.tally.received, run.tally.durable)
    if progress:
        return _patient(after, run, after.at + _PATIENCE[0], 0)
    if run.patience is None:
        return _patient(after, run, after.at + _PATIENCE[min(run.tries, len(_PATIENCE) - 1)], run.tries)
    return after


def _patient(unit: Unit, run: Run, until: float | None, tries: int) -> Unit:
    return replace(unit, run=replace(run, patience=until, tries=tries))


def _seal(unit: Unit, run: Run) -> Seal:
    said = "" if run.outcome is None else run.outcome.value
    told = f" The instrument says: {run.detail}" if run.detail and run.detail not in unit.reason else ""
    return Seal(
        run=run.id,
        state=_RESULTS[unit.state],
        outcome=run.cause or said or "unknown",
        sentence=unit.reason + told,
        end=run.tally.end or 0,
        flagged=run.flagged,
        cell=unit.cell,
    )


def _outside(unit: Unit) -> tuple[object, ...]:
    run = None if unit.run is None else unit.run.id
    return (unit.state, unit.reason, unit.link, unit.cell, unit.token, run, trouble(unit))
