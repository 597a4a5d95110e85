"""What commands do to the unit: each is carried out, or rejected with one sentence that names the remedy."""

from dataclasses import replace

from luggin.protocol.instrument import Cell
from luggin.protocol.unit.effects import Acknowledge, Effect, End, Pause, Prepare, Record, Rejected, Resume
from luggin.protocol.unit.moves import ABORTS, ACT_WITHIN, Moved, forgotten, want_off
from luggin.protocol.unit.state import Link, Order, Run, State, Unit


def start(unit: Unit, by: str, token: str, order: Order) -> Moved:
    if unit.state is not State.IDLE:
        return _rejected(unit, f"The unit is {unit.state}, not Idle; {_remedy(unit)}.")
    if unit.closing:
        return _rejected(unit, "The daemon is shutting down; start again once it is back.")
    if unit.link is Link.LOST:
        return _rejected(unit, "The instrument is not reachable; check its power and its cable or radio.")
    if not unit.proven or unit.cell is not Cell.OFF or unit.off is not None:
        return _rejected(unit, "The cell is not confirmed off yet; try again once the state says cell: off.")
    if not unit.token or token != unit.token:
        return _rejected(unit, "The token is used or out of date; read the state again and quote its token.")
    run = Run(order=order, boot=unit.boot)
    unit = replace(unit, state=State.STARTING, reason=f"{by} asked to start.", run=run)
    return unit, (Prepare(run.id, order),)


def hold(unit: Unit, by: str) -> Moved:
    if unit.state is not State.EXECUTE or unit.run is None:
        return _rejected(unit, f"The unit is {unit.state}; only a run in Execute can be held.")
    if unit.link is Link.LOST:
        return _rejected(unit, "The link is lost; hold once the instrument is back, or abort.")
    if not unit.run.order.pausable:
        return _rejected(unit, "This method has no place where it may be held; stop or abort instead.")
    return replace(unit, state=State.HOLDING, reason=f"{by} asked to hold."), (Pause(unit.run.id),)


def unhold(unit: Unit, by: str, token: str) -> Moved:
    run = unit.run
    if unit.state is not State.HELD or run is None:
        return _rejected(unit, f"The unit is {unit.state}; only a run that is Held can go on.")
    if unit.closing or unit.link is Link.LOST:
        return _rejected(unit, "The link is lost; go on once the instrument is back.")
    if not unit.token or token != unit.token:
        return _rejected(unit, "The token is used or out of date; read the state again and quote its token.")
    unit = replace(unit, state=State.UNHOLDING, reason=f"{by} asked to go on.", bound=unit.at + ACT_WITHIN)
    return unit, (Resume(run.id),)


def stop(unit: Unit, by: str) -> Moved:
    """Orderly end.  A run that the instrument doesn't execute yet is ended by cell-off."""
    run, reason = unit.run, f"{by} asked to stop."
    if run is not None and unit.state is State.STARTING:
        run = run if run.begun else replace(run, tally=run.tally.ended(0))
        return want_off(replace(unit, state=State.STOPPING, reason=reason, run=replace(run, cause="stopped")))
    if run is not None and unit.state in (State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING):
        return ending(unit, run, reason)
    if unit.state in (State.COMPLETING, State.STOPPING):
        return _rejected(unit, "The run is ending already, as its method says; abort switches the cell off at once.")
    return _rejected(unit, f"The unit is {unit.state}; no run is on that could be stopped.")


def ending(unit: Unit, run: Run, reason: str) -> Moved:
    """Ask for the orderly end; out of sight the instrument is asked once it is back."""
    bound = unit.at + ACT_WITHIN if unit.link is Link.UP else None
    effects: tuple[Effect, ...] = (End(run.id),) if unit.link is Link.UP else ()
    return replace(unit, state=State.STOPPING, reason=reason, bound=bound), effects


def attest(unit: Unit, by: str) -> Moved:
    """A named person states that the cell of an unreachable instrument is off.  The cell stays unknown."""
    if unit.link is Link.UP:
        return _rejected(unit, "The instrument is reachable; abort switches its cell off and reads it back.")
    if unit.state not in (State.ABORTING, State.ABORTED):
        return _rejected(unit, f"The unit is {unit.state}; that the cell is off is stated after an abort.")
    return replace(unit, state=State.ABORTED, attested=by), ()


def clear(unit: Unit, by: str) -> Moved:
    if unit.state is State.CLEARING and unit.run is not None and unit.off is None:
        return forgotten(unit, unit.run, f"{by} gave them up.")
    if unit.state is not State.ABORTED:
        return _rejected(unit, f"The unit is {unit.state}; {_remedy(unit)}.")
    strange = unit.strange
    if unit.link is Link.UP and unit.off is None:
        unit, effects = want_off(replace(unit, state=State.CLEARING, reason=f"{by} asked to clear.", strange=None))
        return unit, (*effects, *_discarded(by, strange))
    if not unit.attested or unit.link is Link.UP:
        sentence = (
            "The cell is not confirmed off; reconnect the instrument, or let a named person attest that it is off."
        )
        return _rejected(unit, sentence)
    unit = replace(unit, reason=f"{by} asked to clear; {unit.attested} had stated that the cell is off.")
    if unit.run is None:
        return replace(unit, state=State.IDLE), ()
    return forgotten(replace(unit, state=State.CLEARING), unit.run, "the instrument was not reachable when cleared.")


def _discarded(by: str, strange: tuple[str, int] | None) -> tuple[Effect, ...]:
    if strange is None:
        return ()
    run, after = strange
    words = f"{by} discarded the points of run {run}, unknown here, that the instrument held."
    return (Record(None, "discarded", words, {"run": run, "after": after}), Acknowledge(run, after))


def _rejected(unit: Unit, sentence: str) -> Moved:
    return unit, (Rejected(sentence),)


def _remedy(unit: Unit) -> str:
    if unit.state is State.ABORTED:
        return "somebody has to look at the cell and clear"
    if unit.state in ABORTS:
        return "wait until the cell is confirmed off, or let a named person attest that it is"
    if unit.state is State.IDLE:
        return "there is nothing to clear"
    if unit.state in (State.COMPLETE, State.STOPPED):
        return "wait until all points are stored"
    return "wait for the end of the run, stop or abort it"
