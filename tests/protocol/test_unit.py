# mypy: disable-error-code="comparison-overlap"
"""The run machine, scene by scene."""

from dataclasses import replace

import pytest

from luggin.protocol.instrument import Activity, Cell, Outcome, Receipt, Status
from luggin.protocol.program import Block, DeadMan, Hold, Limit, Limits, Program
from luggin.protocol.unit import (
    Link,
    Order,
    Run,
    State,
    Unit,
    begin,
    effects,
    events,
    next_deadline,
    restored,
    step,
    trouble,
    wanted_on,
)
from luggin.protocol.unit.step import TOKEN_LIFE
from support.unit_events import BOOT, IDLE, ORDER, RUNNING, status

RUN = ORDER.run
OFF = Receipt(Cell.OFF)
NO_ANSWER = Receipt(Cell.UNKNOWN, "no answer")


class Scene:
    """A unit in a play: events come with the time and the epoch filled in."""

    def __init__(self, unit: Unit | None = None) -> None:
        self.unit = unit or begin(0.0)
        self.done: tuple[effects.Effect, ...] = ()
        self.records: list[effects.Record] = []
        self._tokens = 0
        if not self.unit.token:
            self.feed(events.Tick(self.unit.at))

    @property
    def now(self) -> float:
        return self.unit.at

    def feed(self, event: events.Event) -> "Scene":
        self.unit, self.done = step(self.unit, event)
        self.records += [each for each in self.done if isinstance(each, effects.Record)]
        if any(isinstance(each, effects.NewToken) for each in self.done):
            self._tokens += 1
            self.unit, _ = step(self.unit, events.TokenMade(self.now, f"token-{self._tokens}"))
        return self

    def connect(self, given: Status = IDLE, known: bool = True) -> "Scene":
        return self.feed(events.Connected(self.now, self.unit.epoch + 1, given, known))

    def off(self, receipt: Receipt = OFF) -> "Scene":
        return self.feed(events.OffAnswered(self.now, self.unit.epoch, receipt))

    def tell(self, activity: Activity, cell: Cell = Cell.OFF, **fields: object) -> "Scene":
        return self.feed(events.Told(self.now, self.unit.epoch, status(activity, cell, **fields)))

    def ended(self, outcome: Outcome, points: int = 5) -> "Scene":
        return self.tell(Activity.ENDED, outcome=outcome, next=points)

    def lose(self) -> "Scene":
        return self.feed(events.LinkLost(self.now, self.unit.epoch, "the cable was pulled"))

    def points(self, first: int, after: int) -> "Scene":
        return self.feed(events.Arrived(self.now, self.unit.epoch, RUN, BOOT, first, after))

    def stored(self, first: int, after: int) -> "Scene":
        return self.feed(events.Stored(self.now, RUN, first, after))

    def wait(self, seconds: float) -> "Scene":
        """Let time pass, with a tick at each deadline as the shell sends them."""
        until = self.now + seconds
        collected: tuple[effects.Effect, ...] = ()
        while (due := next_deadline(self.unit)) <= until:
            self.feed(events.Tick(max(due, self.now)))
            collected += self.done
        self.unit = replace(self.unit, at=until)
        self.done = collected
        return self

    def start(self, order: Order = ORDER) -> "Scene":
        return self.feed(events.Start(self.now, "anna", self.unit.token, order))

    def execute(self, order: Order = ORDER) -> "Scene":
        self.connect().off().start(order)
        self.feed(events.Armed(self.now, self.unit.epoch, RUN))
        self.feed(events.Started(self.now, self.unit.epoch, RUN))
        return self.tell(Activity.RUNNING, Cell.ON)

    def effect(self, kind: type[effects.Effect]) -> effects.Effect | None:
        return next((each for each in self.done if isinstance(each, kind)), None)

    @property
    def rejected(self) -> str:
        found = self.effect(effects.Rejected)
        return found.sentence if isinstance(found, effects.Rejected) else ""

    @property
    def sealed(self) -> effects.Seal:
        found = self.effect(effects.Seal)
        assert isinstance(found, effects.Seal)
        return found

    @property
    def state(self) -> str:  # a plain str, for a type checker takes each comparison of an enum for a lasting fact
        return self.unit.state

    @property
    def trouble(self) -> str:
        found = trouble(self.unit)
        return "" if found is None else found.kind


# The way of a run


def test_at_the_first_connection_the_cell_is_proven_off() -> None:
    scene = Scene().connect()
    assert scene.effect(effects.CellOff)
    assert not scene.unit.proven
    scene.off()
    assert (scene.state, scene.unit.cell, scene.unit.proven) == (State.IDLE, Cell.OFF, True)


def test_a_run_goes_from_start_to_idle() -> None:
    scene = Scene().connect().off().start()
    assert scene.state is State.STARTING
    assert scene.effect(effects.Prepare) == effects.Prepare(RUN, ORDER)
    scene.feed(events.Armed(scene.now, 1, RUN))
    assert scene.effect(effects.Begin)
    assert scene.unit.cell is Cell.ON
    scene.feed(events.Started(scene.now, 1, RUN))
    assert scene.state is State.EXECUTE
    assert scene.effect(effects.Anchor)
    scene.points(0, 3)
    assert scene.effect(effects.Keep) == effects.Keep(RUN, 0, 3)
    scene.stored(0, 3)
    assert scene.effect(effects.Acknowledge) == effects.Acknowledge(RUN, 3)
    scene.ended(Outcome.COMPLETED)
    assert scene.state is State.COMPLETING
    assert scene.effect(effects.CellOff)
    scene.off()
    assert scene.state is State.COMPLETE
    assert not scene.effect(effects.Seal)
    scene.points(3, 5).stored(3, 5)
    assert scene.sealed == effects.Seal(RUN, "Complete", "completed", "The run is complete.", 5, False, Cell.OFF)
    scene.feed(events.Sealed(scene.now, RUN))
    assert (scene.state, scene.unit.run) == (State.IDLE, None)


def test_news_may_overtake_the_answer_to_the_start() -> None:
    scene = Scene().connect().off().start().feed(events.Armed(0.0, 1, RUN))
    scene.tell(Activity.RUNNING, Cell.ON)
    assert scene.state is State.EXECUTE
    scene.ended(Outcome.COMPLETED).feed(events.Started(scene.now, 1, RUN))
    assert scene.state is State.COMPLETING


def test_news_from_before_the_start_change_nothing() -> None:
    scene = Scene().connect().off().start().feed(events.Armed(0.0, 1, RUN))
    for activity, run in ((Activity.IDLE, None), (Activity.ARMED, RUN)):
        scene.tell(activity, run=run)
        assert (scene.state, scene.unit.cell) == (State.STARTING, Cell.ON)
    scene.feed(events.Started(scene.now, 1, RUN)).tell(Activity.ARMED)
    assert (scene.state, scene.unit.cell) == (State.EXECUTE, Cell.ON)


def test_a_start_that_nobody_sees_taking_effect_is_aborted() -> None:
    scene = Scene().connect().off().start().feed(events.Armed(0.0, 1, RUN)).feed(events.Started(0.0, 1, RUN))
    scene.wait(11.0)
    assert scene.state is State.ABORTING


def test_an_older_status_is_stale() -> None:
    scene = Scene().execute().tell(Activity.IDLE, run=None, clock=1e6 - 1.0)
    assert scene.state is State.EXECUTE


def test_a_clock_that_ran_over_is_believed() -> None:
    scene = Scene().execute().tell(Activity.ENDED, outcome=Outcome.COMPLETED, clock=1.0)
    assert scene.state is State.COMPLETING


def test_hold_and_go_on() -> None:
    scene = Scene().execute().feed(events.Hold(0.0, "anna"))
    assert (scene.state, scene.effect(effects.Pause)) == (State.HOLDING, effects.Pause(RUN))
    scene.tell(Activity.HELD, Cell.ON)
    assert scene.state is State.HELD
    scene.feed(events.Unhold(scene.now, "anna", scene.unit.token))
    assert (scene.state, scene.effect(effects.Resume)) == (State.UNHOLDING, effects.Resume(RUN))
    scene.tell(Activity.RUNNING, Cell.ON)
    assert scene.state is State.EXECUTE
    scene.ended(Outcome.COMPLETED).off().points(0, 5).stored(0, 5)
    assert scene.sealed.flagged


def test_a_held_run_that_the_instrument_does_not_end_is_aborted_here() -> None:
    scene = Scene().execute().tell(Activity.HELD, Cell.ON).wait(ORDER.longest_hold * 1.02 + 1.9)
    assert scene.state is State.HELD
    scene.wait(0.2)
    assert (scene.state, scene.unit.reason) == (State.ABORTING, "The hold outlasts what the method allows.")


def test_a_stop_is_an_orderly_end() -> None:
    scene = Scene().execute().feed(events.Stop(0.0, "anna"))
    assert (scene.state, scene.effect(effects.End)) == (State.STOPPING, effects.End(RUN))
    scene.tell(Activity.CLOSING, Cell.ON).wait(60.0)
    assert scene.state is State.STOPPING
    scene.ended(Outcome.STOPPED, 0).off()
    assert scene.state is State.STOPPED
    assert (scene.sealed.outcome, scene.sealed.sentence) == ("stopped", "anna asked to stop.")


def test_an_instrument_that_ignores_a_stop_is_switched_off() -> None:
    scene = Scene().execute().feed(events.Stop(0.0, "anna")).wait(11.0)
    assert scene.state is State.ABORTING
    assert scene.effect(effects.CellOff)


def test_an_after_run_hold_is_completing() -> None:
    scene = Scene().execute().tell(Activity.AFTER_RUN, Cell.ON)
    assert scene.state is State.COMPLETING
    assert wanted_on(scene.unit)
    assert "abort" in scene.feed(events.Stop(scene.now, "anna")).rejected


@pytest.mark.parametrize("outcome", list(Outcome))
def test_how_each_outcome_ends(outcome: Outcome) -> None:
    scene = Scene().execute().ended(outcome, 0).off()
    stopped = outcome in (Outcome.STOPPED, Outcome.HOLD_EXPIRED)
    expected = State.COMPLETE if outcome is Outcome.COMPLETED else State.STOPPED if stopped else State.ABORTED
    assert scene.state is expected
    assert scene.sealed.outcome == outcome
    assert scene.sealed.state == expected
    assert (scene.trouble == "aborted") == (expected is State.ABORTED)


def test_what_the_instrument_says_of_its_end_is_told() -> None:
    scene = Scene().execute().tell(Activity.ENDED, outcome=Outcome.FAULT, detail="converter too hot")
    assert scene.unit.reason == "The instrument reports a fault of its own. The instrument says: converter too hot"


def test_a_run_that_lasts_too_long_is_aborted() -> None:
    scene = Scene().execute().wait(ORDER.duration * 1.02 + 3.0)
    assert (scene.state, scene.unit.run and scene.unit.run.cause) == (State.ABORTING, "limit")


# Starting is refused


@pytest.mark.parametrize(
    ("scene", "words"),
    [
        (Scene(), "not reachable"),
        (Scene().connect(), "not confirmed off"),
        (Scene().execute(), "The unit is Execute"),
        (Scene().connect().off().feed(events.Abort(0.0, "anna")).off(), "clear"),
        (Scene().connect().off().feed(events.Shutdown(0.0)), "shutting down"),
    ],
)
def test_start_is_refused_with_its_reason(scene: Scene, words: str) -> None:
    assert words in scene.start().rejected
    assert not scene.effect(effects.Prepare)


@pytest.mark.parametrize("token", ["", "wrong", "token-0"])
def test_start_needs_the_token_of_now(token: str) -> None:
    scene = Scene().connect().off().feed(events.Start(0.0, "anna", token, ORDER))
    assert "token" in scene.rejected


def test_a_token_works_once() -> None:
    scene = Scene().connect().off()
    token = scene.unit.token
    scene.start().feed(events.Declined(scene.now, RUN, "the disk is full"))
    assert scene.state is State.IDLE
    assert "token" in scene.feed(events.Start(scene.now, "anna", token, ORDER)).rejected


def test_a_token_changes_every_minute() -> None:
    scene = Scene().connect().off().wait(1.0)
    token = scene.unit.token
    assert scene.wait(TOKEN_LIFE - 2.0).unit.token == token
    assert scene.wait(2.0).unit.token != token
    assert scene.effect(effects.Publish)


def test_a_run_that_the_store_declines_leaves_the_unit_idle() -> None:
    scene = Scene().connect().off().start().feed(events.Declined(0.0, RUN, "The disk has no room."))
    assert (scene.state, scene.unit.run, scene.unit.reason) == (State.IDLE, None, "The disk has no room.")


@pytest.mark.parametrize("effect", ["Prepare", "Begin"])
def test_what_the_instrument_refuses_is_no_fault(effect: str) -> None:
    scene = Scene().connect().off().start()
    if effect == "Begin":
        scene.feed(events.Armed(0.0, 1, RUN))
    scene.feed(events.Failed(0.0, 1, RUN, effect, "no such range", True))
    assert scene.state is State.STOPPING
    scene.off()
    assert (scene.sealed.outcome, scene.sealed.sentence, scene.sealed.end) == ("refused", "no such range", 0)
    assert scene.feed(events.Sealed(0.0, RUN)).state is State.IDLE


def test_a_start_without_an_answer_is_made_safe() -> None:
    scene = Scene().connect().off().start().feed(events.Armed(0.0, 1, RUN))
    scene.feed(events.Failed(0.0, 1, RUN, "Begin", "no answer", False))
    assert scene.state is State.ABORTING
    assert scene.effect(effects.CellOff)


def test_a_hold_that_the_instrument_refuses_goes_on() -> None:
    scene = Scene().execute().feed(events.Hold(0.0, "anna"))
    assert scene.feed(events.Failed(0.0, 1, RUN, "Pause", "not here", True)).state is State.EXECUTE


def test_a_method_without_a_pause_is_not_held() -> None:
    scene = Scene().execute(replace(ORDER, pausable=False)).feed(events.Hold(0.0, "anna"))
    assert "no place where it may be held" in scene.rejected


# Off


def test_a_violated_limit_switches_the_cell_off_at_once() -> None:
    scene = Scene().execute().feed(events.Violated(0.0, 1, RUN, "potential 3 V is above its hard limit"))
    assert scene.state is State.ABORTING
    assert isinstance(scene.done[0], effects.CellOff)
    assert not wanted_on(scene.unit)
    scene.off()
    assert scene.state is State.ABORTED


def test_points_from_before_the_cell_was_off_don_t_abort_again() -> None:
    scene = Scene().execute().feed(events.Abort(0.0, "anna")).off()
    scene.feed(events.Violated(0.0, 1, RUN, "potential 3 V is above its hard limit"))
    assert (scene.state, scene.done) == (State.ABORTED, ())


def test_an_unconfirmed_cell_off_is_tried_for_ever() -> None:
    scene = Scene().execute().feed(events.Abort(0.0, "anna"))
    for _ in range(20):
        scene.off(NO_ANSWER)
        assert (scene.state, scene.unit.cell, scene.trouble) == (State.ABORTING, Cell.UNKNOWN, "cell-unknown")
        assert scene.feed(events.Clear(scene.now, "anna")).rejected
        scene.wait(10.0)
        assert scene.effect(effects.CellOff)
    scene.off()
    assert (scene.state, scene.unit.cell, scene.trouble) == (State.ABORTED, Cell.OFF, "aborted")


def test_a_run_that_completes_with_a_stuck_relay_is_aborted() -> None:
    scene = Scene().execute().ended(Outcome.COMPLETED, 0).off(Receipt(Cell.ON))
    assert (scene.state, scene.unit.cell) == (State.ABORTING, Cell.UNKNOWN)
    scene.wait(1.0).off()
    assert (scene.sealed.state, scene.sealed.outcome) == ("Aborted", "unconfirmed")


def test_stop_before_the_instrument_executes_is_cell_off() -> None:
    scene = Scene().connect().off().start().feed(events.Stop(0.0, "anna"))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.STOPPING, True)
    scene.feed(events.Armed(0.0, 1, RUN))
    assert not scene.effect(effects.Begin)
    scene.off()
    assert (scene.state, scene.sealed.outcome) == (State.STOPPED, "stopped")


def test_an_abort_is_obeyed_in_idle_too() -> None:
    scene = Scene().connect().off().feed(events.Abort(0.0, "anna"))
    assert scene.effect(effects.CellOff)


def test_an_instrument_that_is_on_though_nothing_was_started_is_switched_off() -> None:
    scene = Scene().connect().off().feed(events.Told(0.0, 1, status(Activity.IDLE, Cell.ON, run=None)))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_clear_reads_the_cell_back_before_it_leads_to_idle() -> None:
    scene = Scene().connect().off().feed(events.Abort(0.0, "anna")).off().feed(events.Clear(0.0, "anna"))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.CLEARING, True)
    assert scene.off().state is State.IDLE
    assert [each.kind for each in scene.records if each.run is None] == ["aborted", "cleared"]


def test_a_person_s_word_lets_an_unreachable_instrument_be_cleared_and_leaves_the_cell_unknown() -> None:
    scene = Scene().execute().points(0, 3).stored(0, 3).lose().wait(13.0)
    assert (scene.state, scene.trouble) == (State.ABORTING, "cell-unknown")
    assert scene.feed(events.Clear(scene.now, "anna")).rejected
    scene.feed(events.Attest(scene.now, "Anna Example"))
    assert (scene.state, scene.unit.cell) == (State.ABORTED, Cell.UNKNOWN)
    scene.feed(events.Clear(scene.now, "anna"))
    assert (scene.sealed.state, scene.sealed.end, scene.sealed.cell) == ("Aborted", 3, Cell.UNKNOWN)
    scene.feed(events.Sealed(scene.now, RUN))
    assert (scene.state, scene.unit.cell, scene.trouble) == (State.IDLE, Cell.UNKNOWN, "cell-unknown")
    assert "not reachable" in scene.start().rejected
    scene.connect()
    assert scene.effect(effects.CellOff)
    assert (scene.off().unit.cell, scene.trouble) == (Cell.OFF, "")


def test_nobody_attests_for_an_instrument_that_answers() -> None:
    scene = Scene().execute().feed(events.Abort(0.0, "anna")).off(NO_ANSWER).feed(events.Attest(0.0, "Anna Example"))
    assert "reachable" in scene.rejected


def test_a_fault_of_the_daemon_is_a_fault_of_the_run() -> None:
    scene = Scene().execute().feed(events.Fault(0.0, "Something broke."))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_shutdown_switches_off_and_starts_nothing_more() -> None:
    scene = Scene().execute().feed(events.Shutdown(0.0))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)
    assert "shutting down" in Scene().connect().off().feed(events.Shutdown(0.0)).start().rejected


def test_a_shutdown_may_leave_a_run_to_the_instrument_and_the_next_daemon() -> None:
    scene = Scene().execute().feed(events.Shutdown(0.0, leave=True))
    assert (scene.state, scene.effect(effects.CellOff)) == (State.EXECUTE, None)
    left = scene.effect(effects.Record)
    assert isinstance(left, effects.Record)
    assert (left.run, left.kind, left.data) == (RUN, "left", {"silence": 10.0})
    assert wanted_on(scene.unit), "it is fed as long as the daemon is there"
    scene.feed(events.Shutdown(0.0)).lose()
    assert scene.trouble == "", "what was asked for is no alarm"
    assert (scene.state, scene.unit.off) == (State.EXECUTE, None), "what ends after that takes nothing back"
    aborted = Scene().execute().feed(events.Shutdown(0.0, leave=True)).feed(events.Abort(0.0, "anna"))
    assert aborted.effect(effects.CellOff), "off is obeyed always"


@pytest.mark.parametrize("state", [State.STARTING, State.COMPLETING, State.IDLE])
def test_only_what_executes_is_left_going(state: State) -> None:
    scene = Scene().connect().off()
    if state is State.STARTING:
        scene.start().feed(events.Armed(0.0, scene.unit.epoch, RUN))
    elif state is State.COMPLETING:
        scene = Scene().execute().ended(Outcome.COMPLETED)
    assert scene.state is state
    scene.feed(events.Shutdown(0.0, leave=True))
    assert scene.unit.off is not None or scene.unit.cell is Cell.OFF
    assert not any(each.kind == "left" for each in scene.records)


def test_without_a_dead_man_timer_no_run_is_left_going() -> None:
    scene = Scene().execute(replace(ORDER, silence=None)).feed(events.Shutdown(0.0, leave=True))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_shutdown_of_an_idle_instrument_that_was_unplugged_trusts_its_last_receipt() -> None:
    scene = Scene().connect().off().lose().feed(events.Shutdown(0.0))
    assert (scene.unit.cell, scene.unit.off) == (Cell.OFF, None)
    assert Scene().feed(events.Shutdown(0.0)).unit.off, "of one that was never reached nothing is known"


# The link


def test_out_of_sight_the_run_is_still_on() -> None:
    scene = Scene().execute().lose()
    assert (scene.state, scene.unit.link, scene.trouble) == (State.EXECUTE, Link.LOST, "link-lost")
    scene.wait(12.0)
    assert scene.state is State.EXECUTE


def test_back_in_time_the_run_is_adopted_and_its_points_are_fetched() -> None:
    scene = Scene().execute().points(0, 3).lose().wait(5.0).connect(status(Activity.RUNNING, Cell.ON, next=9))
    assert (scene.state, scene.effect(effects.CellOff)) == (State.EXECUTE, None)
    assert scene.effect(effects.Replay) == effects.Replay(RUN, 3)
    assert scene.effect(effects.Anchor)
    assert scene.trouble == ""


def test_once_the_dead_man_s_time_has_surely_passed_the_cell_is_unknown() -> None:
    scene = Scene().execute().lose().wait(ORDER.silence * 1.02 + 2.1 if ORDER.silence else 0.0)
    assert (scene.state, scene.unit.cell, scene.trouble) == (State.ABORTING, Cell.UNKNOWN, "cell-unknown")
    scene.connect(RUNNING)
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_a_run_that_the_dead_man_ended_is_aborted_and_its_points_are_fetched() -> None:
    over = status(Activity.ENDED, outcome=Outcome.DEAD_MAN, next=9)
    scene = Scene().execute().points(0, 3).stored(0, 3).lose().connect(over)
    assert (scene.state, scene.effect(effects.Replay)) == (State.ABORTING, effects.Replay(RUN, 3))
    scene.off().points(3, 9).stored(3, 9)
    assert (scene.sealed.state, scene.sealed.outcome, scene.sealed.end) == ("Aborted", "dead-man", 9)


def test_a_run_that_went_on_longer_than_allowed_is_not_adopted() -> None:
    scene = Scene().execute().lose().connect(status(Activity.RUNNING, Cell.ON, silence=100.0))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_without_a_dead_man_timer_a_lost_link_aborts() -> None:
    scene = Scene().execute(replace(ORDER, silence=None)).lose()
    assert (scene.state, scene.unit.cell) == (State.ABORTING, Cell.UNKNOWN)


def test_a_restarted_instrument_has_lost_its_points() -> None:
    scene = Scene().execute().points(0, 3).stored(0, 3).lose()
    scene.connect(status(Activity.IDLE, run=None, boot="boot-2"))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)
    assert [each.data for each in scene.records if each.kind == "lost"] == [{"first": 3, "after": None}]
    scene.off()
    assert (scene.sealed.outcome, scene.sealed.end) == ("restarted", 3)


def test_a_run_of_the_same_name_from_another_boot_is_not_ours() -> None:
    scene = Scene().execute().lose().connect(status(Activity.RUNNING, Cell.ON, boot="boot-2", next=5))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_an_unknown_run_is_switched_off() -> None:
    scene = Scene().connect(status(Activity.RUNNING, Cell.ON, run="run-9"))
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_points_of_an_unknown_run_are_discarded_by_a_clear_only() -> None:
    scene = Scene().connect(status(Activity.ENDED, run="run-9", outcome=Outcome.COMPLETED, next=7), known=False).off()
    assert scene.state is State.ABORTED
    assert "7 points of run run-9" in scene.unit.reason
    assert not scene.effect(effects.Acknowledge)
    scene.feed(events.Clear(0.0, "anna"))
    assert scene.effect(effects.Acknowledge) == effects.Acknowledge("run-9", 7)
    assert scene.off().state is State.IDLE


def test_a_stop_out_of_sight_is_sent_once_the_instrument_is_back() -> None:
    scene = Scene().execute().lose().feed(events.Stop(0.0, "anna"))
    assert (scene.state, scene.effect(effects.End)) == (State.STOPPING, None)
    assert scene.connect(RUNNING).effect(effects.End) == effects.End(RUN)


def test_whether_an_unhold_got_through_the_instrument_says() -> None:
    held = status(Activity.HELD, Cell.ON)
    scene = Scene().execute().tell(Activity.HELD, Cell.ON)
    scene.feed(events.Unhold(scene.now, "anna", scene.unit.token)).lose().wait(1.0)
    assert Scene(scene.unit).connect(held).state is State.HELD
    assert Scene(scene.unit).connect(RUNNING).state is State.EXECUTE


def test_late_news_of_an_old_connection_are_dropped() -> None:
    scene = Scene().execute().lose().connect(RUNNING)
    before = scene.unit
    scene.feed(events.Told(scene.now, 1, status(Activity.ENDED, outcome=Outcome.FAULT)))
    assert (scene.unit, scene.done) == (before, ())


# Points


def test_a_hole_is_asked_for_once_more() -> None:
    scene = Scene().execute().points(0, 3).points(6, 9)
    assert (scene.effect(effects.Replay), scene.effect(effects.Keep)) == (effects.Replay(RUN, 3), None)
    assert not scene.points(9, 12).effect(effects.Replay)
    assert scene.points(3, 12).effect(effects.Keep) == effects.Keep(RUN, 3, 12)


@pytest.mark.parametrize("stored", [0, 3])
def test_what_the_instrument_no_longer_holds_is_recorded_as_lost(stored: int) -> None:
    scene = Scene().execute().points(0, 3).stored(0, stored)
    scene.points(6, 9).tell(Activity.RUNNING, Cell.ON, oldest=6).points(6, 9)
    assert scene.effect(effects.Keep) == effects.Keep(RUN, 6, 9)
    assert [each.data for each in scene.records if each.kind == "lost"] == [{"first": 3, "after": 6}]
    scene.stored(0, 3).stored(6, 9)
    assert scene.effect(effects.Acknowledge) == effects.Acknowledge(RUN, 9)


def test_what_the_instrument_does_not_bring_is_given_up_in_the_end() -> None:
    scene = Scene().execute().points(0, 3).stored(0, 3).ended(Outcome.COMPLETED, 5).off()
    replays = 0
    for _ in range(10):
        scene.wait(10.0)
        replays += sum(isinstance(each, effects.Replay) for each in scene.done)
        if scene.effect(effects.Seal):
            break
    assert replays >= 3
    assert scene.sealed.end == 5
    assert [each.data for each in scene.records if each.kind == "lost"] == [{"first": 3, "after": 5}]


def test_a_full_disk_ends_the_run_in_order_and_loses_nothing() -> None:
    scene = Scene().execute().points(0, 5).feed(events.NotStored(0.0, RUN, "The disk is full.", True))
    assert (scene.state, scene.effect(effects.End), scene.trouble) == (State.STOPPING, effects.End(RUN), "not-stored")
    assert not scene.points(5, 8).effect(effects.Keep), "no more is queued before the first has found room"
    scene.ended(Outcome.STOPPED, 8).off().wait(300.0)
    assert (scene.state, scene.effect(effects.Seal)) == (State.STOPPED, None)
    assert scene.effect(effects.Replay) == effects.Replay(RUN, 0)
    scene.points(0, 8).stored(0, 8)
    assert scene.sealed.state == "Stopped"


def test_a_failed_write_is_made_up_for_from_the_instrument() -> None:
    scene = Scene().execute().points(0, 5).feed(events.NotStored(0.0, RUN, "The disk failed.", False))
    assert scene.state is State.EXECUTE
    assert scene.wait(3.0).effect(effects.Replay) == effects.Replay(RUN, 0)
    scene.points(0, 5).stored(0, 5)
    assert scene.trouble == ""


def test_a_result_that_is_not_stored_is_said_again() -> None:
    scene = Scene().execute().ended(Outcome.COMPLETED, 0).off()
    first = scene.sealed
    scene.feed(events.NotStored(scene.now, RUN, "The disk failed.", False))
    assert scene.state is State.COMPLETE
    assert scene.wait(3.0).sealed == first


def test_clear_gives_points_up_that_can_t_come() -> None:
    scene = Scene().execute().ended(Outcome.FAULT).off().feed(events.Clear(0.0, "anna")).off()
    assert scene.state is State.CLEARING
    scene.feed(events.Clear(scene.now, "anna"))
    assert scene.sealed.end == 5
    assert scene.effect(effects.Acknowledge) == effects.Acknowledge(RUN, 5)
    assert scene.feed(events.Sealed(scene.now, RUN)).state is State.IDLE


# A daemon that starts again


def known_run(**changes: object) -> Run:
    return replace(Run(order=ORDER, boot=BOOT, begun=True, seen=True), **changes)  # type: ignore[arg-type]


def test_a_restarted_daemon_adopts_its_run() -> None:
    scene = Scene(restored(0.0, "", known_run(), State.EXECUTE)).connect(RUNNING)
    assert (scene.state, scene.effect(effects.CellOff)) == (State.EXECUTE, None)
    assert scene.effect(effects.Replay) == effects.Replay(RUN, 0)


def test_a_restarted_daemon_waits_for_its_run_as_long_as_the_dead_man_does() -> None:
    scene = Scene(restored(0.0, "", known_run(), State.EXECUTE)).wait(13.0)
    assert (scene.state, scene.unit.cell) == (State.ABORTING, Cell.UNKNOWN)


@pytest.mark.parametrize("state", [State.ABORTING, State.ABORTED, State.CLEARING])
def test_an_abort_survives_a_restart(state: State) -> None:
    scene = Scene(restored(0.0, "anna asked to abort.", known_run(), state)).connect(RUNNING)
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)
    assert scene.unit.reason == "anna asked to abort."


def test_an_abort_that_is_known_from_the_run_s_events_alone_survives_too() -> None:
    scene = Scene(restored(0.0, "", known_run(), State.ABORTING)).connect(RUNNING)
    assert (scene.state, bool(scene.effect(effects.CellOff))) == (State.ABORTING, True)


def test_an_abort_without_a_run_survives_a_restart() -> None:
    scene = Scene(restored(0.0, "anna asked to abort.", None, None)).connect().off()
    assert scene.state is State.ABORTED


def test_a_stop_survives_a_restart() -> None:
    scene = Scene(restored(0.0, "", known_run(), State.STOPPING)).connect(RUNNING)
    assert (scene.state, scene.effect(effects.End)) == (State.STOPPING, effects.End(RUN))


def test_a_run_that_had_ended_is_finished_after_a_restart() -> None:
    run = known_run(outcome=Outcome.COMPLETED)
    run = replace(run, tally=replace(run.tally, end=5))
    scene = Scene(restored(0.0, "", run, State.COMPLETE)).connect(status(Activity.IDLE, next=5))
    assert scene.state is State.COMPLETING
    scene.off().points(0, 5).stored(0, 5)
    assert scene.sealed.state == "Complete"


def test_an_end_that_nobody_saw_is_told_by_the_instrument() -> None:
    over = status(Activity.IDLE, outcome=Outcome.COMPLETED, next=5, oldest=5)
    run = known_run()
    run = replace(run, tally=replace(run.tally, received=5, durable=5))
    scene = Scene(restored(0.0, "", run, State.EXECUTE)).connect(over).off()
    assert (scene.sealed.state, scene.sealed.end) == ("Complete", 5)


# What a program says of itself


def made(**dead_man: object) -> Program:
    hold = Hold(level=0.0, duration=5.0, period=0.1)
    limits = Limits(potential=Limit(low=-1.0, high=1.0), duration=100.0)
    return Program(
        technique="test",
        blocks=(Block(phase=0, segments=(hold,)),),
        limits=limits,
        dead_man=DeadMan.model_validate(dead_man),
    )


def test_how_long_an_instrument_goes_on_alone() -> None:
    assert Order.of("r", made(timeout=10.0, duration=30.0), True).silence == 10.0
    assert Order.of("r", made(timeout=10.0, action="continue", duration=30.0), True).silence == 40.0
    assert Order.of("r", made(timeout=10.0), False).silence is None
    assert not Order.of("r", made(), True).pausable
