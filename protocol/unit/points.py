"""What becomes of the points of a run: they arrive, are stored, or are asked for once more."""

from dataclasses import replace

from luggin.protocol.unit.commands import ending
from luggin.protocol.unit.effects import Effect, Keep, Record, Replay
from luggin.protocol.unit.events import Arrived, NotStored, Stored
from luggin.protocol.unit.moves import Moved
from luggin.protocol.unit.state import Run, State, Unit

MOST_TRIES = 3


def arrived(unit: Unit, run: Run, event: Arrived) -> Moved:
    if event.boot != run.boot or not run.begun:
        return unit, ()
    missing = run.tally.beyond is not None
    tally, span = run.tally.arrived(event.first, event.after)
    effects: list[Effect] = []
    first, after = run.tally.received, tally.received if span is None else span[0]
    if first < after:
        effects.append(Record(run.id, "lost", "The instrument's buffer overflowed.", {"first": first, "after": after}))
    if span is not None:
        effects.append(Keep(run.id, *span))
    elif tally.beyond is not None and not missing and not run.unstored:
        effects.append(Replay(run.id, tally.received))
    return replace(unit, run=replace(run, tally=tally)), tuple(effects)


def stored(unit: Unit, run: Run, event: Stored) -> Moved:
    tally = run.tally.stored(event.first, event.after)
    if tally.durable == run.tally.durable:
        return unit, ()
    return replace(unit, run=replace(run, tally=tally, unstored=False)), ()


def not_stored(unit: Unit, run: Run, event: NotStored) -> Moved:
    """The instrument keeps what the store refused; a run whose points find no room is ended in order."""
    first = not run.unstored
    run = replace(run, unstored=True, sealed=False, tally=run.tally.rewound())
    unit = replace(unit, run=run)
    effects: tuple[Effect, ...] = (Record(run.id, "storage", event.sentence),) if first else ()
    if event.full and unit.state in (State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING):
        unit, more = ending(unit, run, event.sentence)
        effects += more
    return unit, effects


def impatient(unit: Unit, run: Run) -> Moved:
    """Points or a confirmation of the store are overdue: ask again; give up what the instrument doesn't bring."""
    tries = run.tries + 1
    if run.tally.complete:
        return replace(unit, run=replace(run, unstored=False, tries=tries, patience=None)), ()
    tally = run.tally
    if tries > MOST_TRIES and not run.unstored and tally.received < (tally.beyond or tally.end or 0):
        lost_from, tally = tally.received, tally.give_up()
        run, tries = replace(run, tally=tally), 0
        words = f"The instrument does not bring points from index {lost_from} on, though asked {MOST_TRIES} times."
        effects: tuple[Effect, ...] = (Record(run.id, "lost", words, {"first": lost_from, "after": tally.received}),)
    else:
        tally, effects = tally.rewound(), ()
    run = replace(run, tally=tally, tries=tries, patience=None)
    return replace(unit, run=run), (*effects, Replay(run.id, tally.received))
