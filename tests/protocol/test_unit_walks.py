"""The law of the run machine over random histories and over every short one."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.instrument import Activity, Cell, Receipt
from luggin.protocol.unit import State, Unit, begin, effects, events, next_deadline, step
from support.unit_events import BOOT, IDLE, ORDER, happenings, status
from support.unit_law import Law


def ready() -> Unit:
    """A unit that is Idle with its cell proven off and a token out."""
    unit, _ = step(begin(0.0), events.Connected(0.0, 1, IDLE))
    unit, _ = step(unit, events.OffAnswered(0.0, 1, Receipt(Cell.OFF)))
    unit, _ = step(unit, events.TokenMade(0.0, "token-0"))
    return unit


def executing() -> Unit:
    unit, _ = step(ready(), events.Start(0.0, "anna", "token-0", ORDER))
    unit, _ = step(unit, events.Armed(0.0, 1, ORDER.run))
    unit, _ = step(unit, events.Started(0.0, 1, ORDER.run))
    return unit


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_random_histories_keep_the_law(data: st.DataObject) -> None:
    law, unit, at = Law(), begin(0.0), 0.0
    likely = st.integers(0, 2)
    for number in range(data.draw(st.integers(1, 40))):
        token = f"token-{number}"
        choices = dict(happenings(unit, at, token))
        # A history that is left to chance alone never gets far: two times of three the expected thing happens.
        expected = [name for name in _expected(unit) if name in choices]
        fits = data.draw(likely) > 0
        name = data.draw(st.sampled_from(expected if expected and fits else sorted(choices)))
        event = choices[name]
        after, done = step(unit, event)
        law.check(unit, event, after, done)
        assert step(unit, event) == (after, done)
        if any(isinstance(each, effects.NewToken) for each in done):
            after, _ = step(after, events.TokenMade(after.at, token))
        unit, at = after, max(at, after.at) + data.draw(st.sampled_from([0.0, 0.1, 3.0]))


def _expected(unit: Unit) -> list[str]:
    if unit.link.value == "lost":
        return ["connected, idle", "connected, running", "connected, held", "connected, ended: completed", "tick"]
    if unit.off is not None:
        return ["cell-off answered off", "tick"]
    following = {
        State.IDLE: ["start"],
        State.STARTING: ["armed", "started"],
        State.EXECUTE: ["points", "stored", "hold", "told ended: completed", "told after-run", "stop"],
        State.HOLDING: ["told held"],
        State.HELD: ["unhold", "told running"],
        State.UNHOLDING: ["told running"],
        State.COMPLETING: ["told ended: completed", "points", "more points"],
        State.STOPPING: ["told ended: stopped", "told closing"],
        State.ABORTED: ["clear", "told ended: off"],
    }
    storing = ["points", "more points", "stored", "more stored", "sealed", "told ended: completed"]
    return following.get(unit.state, []) + (storing if unit.run is not None and unit.run.begun else [])


LONGER = pytest.param("executing", 4, marks=pytest.mark.long)


@pytest.mark.parametrize(("origin", "length"), [("begun", 4), ("ready", 4), ("executing", 3), LONGER])
def test_every_short_history_keeps_the_law(origin: str, length: int) -> None:
    """All histories of this many events (time stands still but for ticks)."""
    start = {"begun": lambda: begin(0.0), "ready": ready, "executing": executing}[origin]()
    law = Law(confirmed=origin != "executing")
    seen = {(start, law.key)}
    layer = [(start, law)]
    for depth in range(length):
        following: list[tuple[Unit, Law]] = []
        for unit, history in layer:
            for _, event in happenings(unit, unit.at, f"token-{depth}-next"):
                watching = history.copy()
                after, done = step(unit, event)
                watching.check(unit, event, after, done)
                if depth < length - 1 and (after, watching.key) not in seen:
                    seen.add((after, watching.key))
                    following.append((after, watching))
        layer = following
    assert len(seen) > 100


def test_ticks_alone_never_livelock() -> None:
    """From whatever unit, each Tick at the deadline moves the deadline on."""
    origins = (begin(0.0), ready(), executing())
    units = {step(unit, event)[0] for unit in origins for _, event in happenings(unit, unit.at)}
    for each in units:
        unit, same = each, 0
        for _ in range(50):
            due = next_deadline(unit)
            unit, _ = step(unit, events.Tick(max(due, unit.at)))
            same = same + 1 if next_deadline(unit) <= due else 0
            assert same < 3, unit


def test_an_instrument_that_answers_leads_every_unit_back_to_idle() -> None:
    """No dead end: with a live instrument, a working store and somebody who clears, every unit comes to Idle."""
    units = {begin(0.0), ready(), executing()}
    for _ in range(2):
        for unit in tuple(units):
            for _, event in happenings(unit, unit.at):
                after, _ = step(unit, event)
                if not after.closing:
                    units.add(after)
    for each in units:
        assert _led_home(each).state is State.IDLE, each


def _led_home(unit: Unit) -> Unit:
    """Play the part of a live instrument whose run ends, of a working store and of a person who clears."""
    over = status(Activity.ENDED, outcome=None, next=5)
    for _ in range(60):
        if unit.state is State.IDLE and unit.off is None and unit.proven:
            break
        waiting: list[events.Event] = []
        if unit.link.value == "lost":
            waiting.append(events.Connected(unit.at, unit.epoch + 1, over if unit.run else IDLE))
        elif unit.off is not None and unit.off.asked:
            waiting.append(events.OffAnswered(unit.at, unit.epoch, Receipt(Cell.OFF)))
        elif unit.state is State.ABORTED:
            waiting.append(events.Clear(unit.at, "anna"))
        if unit.run is not None:
            run = unit.run
            if not run.begun and unit.state is State.STARTING:
                waiting.append(events.Abort(unit.at, "anna"))
            if run.tally.end is not None:
                waiting.append(events.Arrived(unit.at, unit.epoch, run.id, BOOT, 0, max(5, run.tally.end)))
                waiting.append(events.Stored(unit.at, run.id, 0, run.tally.end))
            if run.sealed:
                waiting.append(events.Sealed(unit.at, run.id))
            waiting.append(events.Told(unit.at, unit.epoch, replace(over, boot=unit.boot or BOOT)))
        for event in waiting:
            unit, _ = step(unit, event)
        unit, _ = step(unit, events.Tick(max(unit.at, next_deadline(unit))))
    return unit
