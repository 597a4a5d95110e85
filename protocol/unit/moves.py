"""What several transitions have in common: wanting the cell off, aborting, learning how a run ended."""

from dataclasses import replace

from luggin.protocol.instrument import Activity, Cell, Outcome, Status
from luggin.protocol.unit.effects import CellOff, Effect, Record
from luggin.protocol.unit.state import Link, Off, Run, State, Unit

Moved = tuple[Unit, tuple[Effect, ...]]

WORKING = frozenset({Activity.RUNNING, Activity.HELD, Activity.CLOSING, Activity.AFTER_RUN})
ABORTS = frozenset({State.ABORTING, State.ABORTED, State.CLEARING})
ACT_WITHIN = 10.0
"""Seconds within which an instrument must follow a command to stop or to go on."""

_ENDINGS: dict[Outcome, tuple[State, str]] = {
    Outcome.COMPLETED: (State.COMPLETING, "The run is complete."),
    Outcome.STOPPED: (State.STOPPING, "The run was stopped."),
    Outcome.HOLD_EXPIRED: (State.STOPPING, "The run was held for longer than the method allows."),
    Outcome.OFF: (State.ABORTING, "The cell was switched off at the instrument."),
    Outcome.LIMIT: (State.ABORTING, "The instrument met a safety limit."),
    Outcome.CONTROL_OVERLOAD: (
        State.ABORTING,
        "The control loop lost its grip; look at the reference electrode.",
    ),
    Outcome.DEAD_MAN: (State.ABORTING, "The instrument heard nothing of its host for too long and ended the run."),
    Outcome.FAULT: (State.ABORTING, "The instrument reports a fault of its own."),
}


def slack(seconds: float) -> float:
    """`seconds` of the instrument's clock are surely over on ours."""
    return seconds * 1.02 + 2.0


def want_off(unit: Unit) -> Moved:
    """Switch the cell off and don't rest before that is confirmed."""
    off = unit.off or Off()
    unit = replace(unit, proven=False, bound=None)
    if unit.link is Link.LOST:
        off = Off(failures=max(1, off.failures), detail=off.detail or "the link is lost")
        return replace(unit, off=off, cell=Cell.UNKNOWN), ()
    if off.asked:
        return unit, ()
    return replace(unit, off=replace(off, asked=True, retry=None)), (CellOff(),)


def abort(unit: Unit, reason: str, cause: str) -> Moved:
    """Cell off at once.  The first reason stands until somebody clears it."""
    run = unit.run
    if run is not None and unit.state not in ABORTS:
        run = replace(run, cause=run.cause or cause)
    if run is not None and not run.begun:
        run = replace(run, tally=run.tally.ended(0))
    reason = unit.reason if unit.state is State.ABORTING else reason
    return want_off(replace(unit, state=State.ABORTING, reason=reason, run=run))


def ended(unit: Unit, run: Run, status: Status) -> Moved:
    """The instrument says that its program is over: learn how, and have the cell confirmed off."""
    if run.tally.end is not None:
        return unit, ()
    told = f" The instrument says: {status.detail}" if status.detail else ""
    outcome = status.outcome
    run = replace(run, outcome=outcome, detail=status.detail, tally=run.tally.ended(status.next))
    unit = replace(unit, run=run)
    data = {"outcome": None if outcome is None else outcome.value, "end": status.next, "detail": status.detail}
    if outcome is None:
        state, reason = State.ABORTING, "The instrument ended the run and does not say why."
    else:
        state, reason = _ENDINGS[outcome]
    note = Record(run.id, "ended", reason + told, data)
    if unit.state in ABORTS or unit.state in (State.COMPLETE, State.STOPPED):
        return unit, (note,)
    if unit.state is State.STOPPING and outcome in (Outcome.STOPPED, Outcome.COMPLETED, Outcome.OFF):
        state, reason = State.STOPPING, unit.reason
    if state is State.ABORTING:
        unit, effects = abort(unit, reason + told, "" if outcome is None else outcome.value)
    else:
        unit, effects = want_off(replace(unit, state=state, reason=reason + told))
    return unit, (note, *effects)


def forgotten(unit: Unit, run: Run, sentence: str) -> Moved:
    """The instrument holds no more points of the run: what has not come is lost."""
    tally, first = run.tally, run.tally.received
    if tally.complete:
        return unit, ()
    known = tally.end
    tally = tally.ended(first) if known is None else tally.lose(known)
    unit = replace(unit, run=replace(run, tally=tally))
    if known is not None and tally.received == first:
        return unit, ()
    words = f"Points from index {first} on are lost: {sentence}"
    return unit, (Record(run.id, "lost", words, {"first": first, "after": known}),)
