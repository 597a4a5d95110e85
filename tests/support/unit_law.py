"""The law of the run machine, as checks on every single step and on whole histories."""

from dataclasses import dataclass, field

from luggin.protocol.instrument import Activity, Cell
from luggin.protocol.unit import Link, State, Unit, effects, events, trouble, wanted_on
from luggin.protocol.unit.state import RUNNING

ENERGISING = (effects.Begin, effects.Resume)
SAFE = (State.IDLE, State.COMPLETE, State.STOPPED, State.ABORTED)


@dataclass
class Law:
    """Watches one history.  `check` is called after each step."""

    used: set[str] = field(default_factory=set)
    faulted: bool = False
    confirmed: bool = True
    granted: bool = False

    @property
    def key(self) -> tuple[bool, bool, bool]:
        return self.faulted, self.confirmed, self.granted

    def copy(self) -> "Law":
        return Law(set(self.used), *self.key)

    def check(self, before: Unit, event: events.Event, after: Unit, done: tuple[effects.Effect, ...]) -> None:
        rejected = any(isinstance(each, effects.Rejected) for each in done)
        self._tokens(before, event, after, done, rejected)
        self._cell(before, event, after, done)
        self._faults(before, event, after, done, rejected)
        self._points(before, after, done)
        if isinstance(event, events.Abort):
            assert not rejected, "off is obeyed always"
            assert after.state is State.ABORTING
            assert after.link is Link.LOST or (after.off is not None and after.off.asked)
        if isinstance(event, events.Shutdown):
            self._shutdown(before, event, after, done)
        if isinstance(event, events.News) and (event.epoch != before.epoch or before.link is Link.LOST):
            assert (after, done) == (before, ()), "late news change nothing"
        if after.state is not before.state:
            assert any(isinstance(each, effects.NewToken) for each in done)
            assert after.token == "", "a token doesn't outlive a transition"
            assert any(isinstance(each, effects.Publish) for each in done)

    def _tokens(
        self, before: Unit, event: events.Event, after: Unit, done: tuple[effects.Effect, ...], rejected: bool
    ) -> None:
        """Energising needs a fresh token, and each works once."""
        if isinstance(event, events.Start | events.Unhold) and not rejected:
            assert event.token
            assert event.token == before.token
            assert event.token not in self.used
            self.used.add(event.token)
            self.granted = True
        for each in done:
            if isinstance(each, ENERGISING):
                assert self.granted, f"{each} without a fresh token"
                self.granted = False
            if isinstance(each, effects.CellOff):
                self.granted = False

    def _cell(self, before: Unit, event: events.Event, after: Unit, done: tuple[effects.Effect, ...]) -> None:
        """Every way out of an energised state passes a confirmed cell-off, or a person's word."""
        if any(isinstance(each, effects.Begin) for each in done):
            assert self.confirmed, "energised before the cell was confirmed off"
            self.confirmed = False
        if isinstance(event, events.OffAnswered) and event.receipt.confirmed and before.off and not after.off:
            self.confirmed = True
        if isinstance(event, events.Attest) and after.attested:
            self.confirmed = True
        if before.state is not after.state and after.state in SAFE and after.state is not State.ABORTED:
            assert self.confirmed, f"{after.state} reached with the cell not confirmed off"
        if after.state is State.ABORTED and before.state is not State.ABORTED and not after.attested:
            assert after.proven or before.state is State.CLEARING
        if before.cell is Cell.UNKNOWN and after.cell is not Cell.UNKNOWN and before.off and before.off.failures:
            assert isinstance(event, events.OffAnswered), "unknown is never reset away"
        if after.off is not None and after.off.failures:
            assert after.cell is Cell.UNKNOWN
            found = trouble(after)
            assert found is not None
            assert found.kind == "cell-unknown"
        if after.proven:
            assert after.cell is Cell.OFF
            assert after.off is None
            assert after.link is Link.UP
        if after.off is not None and after.link is Link.LOST:
            assert after.cell is Cell.UNKNOWN, "what nobody confirmed is not known"
            assert not after.off.asked
        if after.off is not None:
            assert after.state not in (State.STARTING, State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING)
            assert not wanted_on(after), "the dead-man timer is not fed while the cell should be off"
            if after.link is Link.UP:
                assert after.off.asked or after.off.retry is not None, "cell-off is tried for ever"
        elif after.link is Link.UP and not (after.run and after.run.begun):
            assert after.proven or after.state is State.STARTING
        if any(isinstance(each, effects.CellOff) for each in done):
            assert after.off is not None
            assert after.off.asked

    def _faults(
        self, before: Unit, event: events.Event, after: Unit, done: tuple[effects.Effect, ...], rejected: bool
    ) -> None:
        """After a fault nothing starts again until someone clears it; clearing needs the cell proven or attested."""
        if after.state is State.ABORTING:
            self.faulted = True
        if isinstance(event, events.Clear) and not rejected:
            assert before.proven or before.attested
        if self.faulted and after.state is State.IDLE:
            assert before.state in (State.CLEARING, State.ABORTED)
            assert before.state is State.CLEARING or isinstance(event, events.Clear)
            self.faulted = False
        if self.faulted:
            assert not any(isinstance(each, ENERGISING) for each in done)
            assert after.state not in (State.STARTING, State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING)
        if isinstance(event, events.Connected) and event.status.activity is not Activity.IDLE:
            known = before.run is not None and before.run.begun and event.status.run == before.run.id
            if event.status.activity is Activity.RUNNING and not known:
                assert after.state is State.ABORTING, "an unknown run is not adopted"
        if after.state is State.STARTING and before.state is State.IDLE:
            assert before.proven
            assert before.link is Link.UP

    def _shutdown(self, before: Unit, event: events.Shutdown, after: Unit, done: tuple[effects.Effect, ...]) -> None:
        """Nothing is left energised but what somebody asked for, a dead-man timer bounds and the record tells."""
        assert after.closing
        wanted = wanted_on(after)
        if wanted:
            assert event.leave or before.leaving
            assert after.run is not None
            assert after.run.order.silence is not None
            assert after.leaving
            assert before.leaving or any(isinstance(each, effects.Record) and each.kind == "left" for each in done)
        else:
            assert after.off is not None or after.cell is Cell.OFF

    def _points(self, before: Unit, after: Unit, done: tuple[effects.Effect, ...]) -> None:
        """Only what is durable is acknowledged; a run is sealed once nothing is left to wait for."""
        for each in done:
            if isinstance(each, effects.Acknowledge) and (after.run is None or each.run != after.run.id):
                assert before.strange == (each.run, each.after), "only a clear discards"
            elif isinstance(each, effects.Acknowledge):
                assert after.run is not None
                assert each.after == after.run.tally.durable <= after.run.tally.received
            if isinstance(each, effects.Seal):
                assert after.run is not None
                assert after.run.tally.complete
                assert after.state in (State.COMPLETE, State.STOPPED, State.ABORTED, State.CLEARING)
        if before.run is not None and after.run is None and before.state is not State.STARTING:
            assert before.run.sealed
        if after.run is None:
            assert after.state not in RUNNING
            assert after.state is not State.STARTING
