"""The machine of a sequence: what follows what, and what holds whatever happens."""

from collections.abc import Mapping, Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.sequence import OVER, Course, Progress, Status, begin, effects, events, next_deadline, parse, step
from support.sequences import sequence

HEIGHT = "paracetamol.height"


class Bench:
    """A sequence with a person and an instrument that do as they are told."""

    def __init__(self, *steps: dict[str, Any]) -> None:
        self.course = Course(parse(sequence(*steps)))
        self.at = 0.0
        self.effects: list[effects.Effect] = []
        self.progress, todo = begin(self.course)
        self.effects += todo

    def feed(self, event: events.Event) -> tuple[effects.Effect, ...]:
        self.progress, todo = step(self.course, self.progress, event)
        self.effects += todo
        return todo

    def run(self, seconds: float = 60.0, state: str = "Complete", height: float | None = 1e-6) -> str:
        """The run that was asked for starts, takes so long and ends."""
        assert self.progress.doing == "starting"
        name = f"run-{self.progress.runs}"
        self.feed(events.Started(self.at, name))
        self.at += seconds
        found: Mapping[str, float] = {} if height is None else {HEIGHT: height}
        self.feed(events.Ended(self.at, name, state, "so it was", found))
        return name

    def wait(self) -> None:
        due = next_deadline(self.progress)
        assert due is not None
        self.at = due
        self.feed(events.Tick(self.at))

    def of(self, kind: type[effects.Effect]) -> list[Any]:
        return [each for each in self.effects if isinstance(each, kind)]

    @property
    def flagged(self) -> list[str]:
        return [flag.run for flag in self.of(effects.Flag)]


def test_methods_run_in_order_with_replicates_and_prompts() -> None:
    bench = Bench({"run": "dpv", "times": 2, "sample": "outlet"}, {"prompt": "Add 20 uL."}, {"run": "short"})
    bench.run()
    bench.run()
    assert bench.progress.doing == "prompting"
    assert bench.progress.reason == "Add 20 uL."
    assert bench.feed(events.Answer(bench.at, "ana", prompt=7))[0] == effects.Rejected(
        "Nobody is asked for this now; look at the sequence again."
    )
    bench.feed(events.Answer(bench.at, "ana", prompt=bench.progress.prompt))
    bench.run()
    assert bench.progress.status is Status.COMPLETE
    assert [(each.method, each.sample) for each in bench.of(effects.StartRun)] == [
        ("dpv", "outlet"),
        ("dpv", "outlet"),
        ("short", None),
    ]


def test_turns_begin_on_the_grid_and_those_that_were_missed_are_left_out() -> None:
    bench = Bench({"steps": [{"run": "dpv"}], "times": 5, "every": "10 min", "overrun": "skip"})
    bench.run(60)
    assert next_deadline(bench.progress) == 600
    bench.wait()
    bench.run(1300)  # from 600 to 1900: the turns due at 1200 and 1800 are gone
    assert next_deadline(bench.progress) == 2400
    assert bench.progress.missed == 2
    bench.wait()
    bench.run(60)
    assert bench.progress.status is Status.COMPLETE


def test_turns_that_run_late_begin_at_once() -> None:
    bench = Bench({"steps": [{"run": "dpv"}], "times": 4, "every": "10 min", "overrun": "late"})
    bench.run(1300)
    bench.run(60)  # due at 600, began at 1300
    bench.run(60)  # due at 1200, began at 1360
    assert next_deadline(bench.progress) == 1800
    assert bench.progress.missed == 0


def test_a_loop_ends_after_its_time() -> None:
    bench = Bench({"steps": [{"run": "dpv"}, {"wait": "4 min"}], "lasts": "15 min"})
    for _ in range(3):
        bench.run(60)
        bench.wait()
    assert bench.at == 900
    assert bench.progress.status is Status.COMPLETE


def test_a_peak_that_fades_leaves_the_loop() -> None:
    check = {"quantity": HEIGHT, "least_share_of_first": 0.5, "then": "leave-loop"}
    bench = Bench({"steps": [{"run": "dpv", "checks": [check]}], "times": 100}, {"run": "short"})
    for height in (2e-6, 1.5e-6, 1.1e-6):
        bench.run(height=height)
    last = bench.run(height=0.9e-6)
    assert bench.flagged == [last]
    assert bench.of(effects.StartRun)[-1].method == "short"


@pytest.mark.parametrize(("then", "status"), [("hold", Status.HELD), ("stop", Status.STOPPED)])
def test_a_failed_check_holds_or_stops(then: str, status: Status) -> None:
    bench = Bench({"run": "dpv", "checks": [{"quantity": HEIGHT, "most": 1e-6, "then": then}]}, {"run": "short"})
    bench.run(height=2e-6)
    assert bench.progress.status is status
    assert bench.progress.reason == "Run run-0: paracetamol.height = 2e-06 is above 1e-06."
    if status is Status.HELD:
        bench.feed(events.Unhold(bench.at, "ana"))
        assert bench.of(effects.StartRun)[-1].method == "short"


def test_what_was_not_found_has_not_passed() -> None:
    bench = Bench({"run": "dpv", "checks": [{"quantity": HEIGHT, "least": 0.0}]})
    assert bench.flagged == []
    assert bench.run(height=None) in bench.flagged


def test_a_peak_above_the_calibration_is_measured_again_a_bounded_number_of_times() -> None:
    again = {"quantity": HEIGHT, "most": 1e-6, "run": "short", "at_most": 2}
    bench = Bench({"run": "dpv", "times": 2, "again": again})
    bench.run(height=5e-6)
    bench.run(height=3e-6)
    bench.run(height=2e-6)  # still above, but twice is enough
    bench.run(height=0.5e-6)
    assert [each.method for each in bench.of(effects.StartRun)] == ["dpv", "short", "short", "dpv"]
    assert bench.progress.status is Status.COMPLETE


def test_a_failed_bracket_flags_what_it_encloses_on_both_sides() -> None:
    control = {"run": "short", "checks": [{"quantity": HEIGHT, "least": 1e-6}]}
    bench = Bench({"controls": [control], "samples": [{"run": "dpv"}] * 4, "every": 2})
    good, bad = 2e-6, 0.5e-6
    bench.run(height=good)
    first = [bench.run(), bench.run()]
    failed = bench.run(height=bad)
    second = [bench.run(), bench.run()]
    bench.run(height=good)
    assert bench.progress.status is Status.COMPLETE
    assert sorted(bench.flagged) == sorted([failed, *first, *second])


@pytest.mark.parametrize("state", ["Aborted", "Stopped"])
def test_a_run_that_went_wrong_holds_the_sequence_until_a_person_decides(state: str) -> None:
    bench = Bench({"run": "dpv"}, {"run": "short"})
    bench.run(state=state)
    assert bench.progress.status is Status.HELD
    assert f"ended {state}" in bench.progress.reason
    bench.feed(events.Unhold(bench.at, "ana"))  # the same step again
    bench.run(state=state)
    bench.feed(events.Skip(bench.at, "ana"))
    assert bench.progress.status is Status.HELD
    bench.feed(events.Unhold(bench.at, "ana"))
    assert [each.method for each in bench.of(effects.StartRun)] == ["dpv", "dpv", "short"]


def test_a_refused_run_holds_the_sequence() -> None:
    bench = Bench({"run": "dpv"})
    bench.feed(events.Refused(1.0, "the disk is full."))
    assert (bench.progress.status, bench.progress.reason) == (Status.HELD, "A run could not start: the disk is full.")


def test_hold_lets_the_run_end() -> None:
    bench = Bench({"run": "dpv"}, {"run": "short"})
    bench.feed(events.Started(1.0, "run-0"))
    bench.feed(events.Hold(2.0, "ana"))
    assert bench.progress.status is Status.HOLDING
    bench.feed(events.Ended(3.0, "run-0", "Complete", ""))
    assert (bench.progress.status, len(bench.of(effects.StartRun))) == (Status.HELD, 1)
    bench.feed(events.Unhold(4.0, "ana"))
    assert bench.of(effects.StartRun)[-1].method == "short"


def test_skip_stops_the_run_and_goes_on() -> None:
    bench = Bench({"run": "dpv", "times": 5}, {"run": "short"})
    bench.feed(events.Started(1.0, "run-0"))
    bench.feed(events.Skip(2.0, "ana"))
    assert bench.effects[-1] == effects.EndRun("stop")
    bench.feed(events.Ended(3.0, "run-0", "Stopped", ""))
    assert bench.of(effects.StartRun)[-1].method == "short"


@pytest.mark.parametrize(
    ("command", "how", "status"),
    [(events.Stop, "stop", Status.STOPPED), (events.Abort, "abort", Status.ABORTED)],
)
def test_stop_and_abort_end_the_run_first(command: type[events.Command], how: Any, status: Status) -> None:
    bench = Bench({"run": "dpv"}, {"run": "short"})
    bench.feed(command(1.0, "ana"))  # while the run is asked for: it ends as soon as it has begun
    bench.feed(events.Started(2.0, "run-0"))
    assert bench.effects[-1] == effects.EndRun(how)
    bench.feed(events.Ended(3.0, "run-0", "Aborted", ""))
    assert bench.progress.status is status
    assert len(bench.of(effects.StartRun)) == 1


@pytest.mark.parametrize(
    ("policy", "during", "after"),
    [("continue", Status.EXECUTE, Status.COMPLETE), ("hold", Status.HOLDING, Status.HELD)],
)
def test_after_a_restart_it_follows_its_policy(policy: str, during: Status, after: Status) -> None:
    bench = Bench({"run": "dpv"})
    bench.feed(events.Started(1.0, "run-0"))
    bench.feed(events.Restarted(2.0, policy, "run-0"))
    assert bench.progress.status is during
    bench.feed(events.Ended(3.0, "run-0", "Complete", ""))
    if after is Status.HELD:  # the run is done: only what comes after it waits
        assert bench.progress.status in (Status.HELD, Status.COMPLETE)
    else:
        assert bench.progress.status is after


def test_a_restart_before_the_run_began_asks_for_it_again() -> None:
    bench = Bench({"run": "dpv"})
    bench.feed(events.Restarted(2.0, "continue", None))
    assert [each.method for each in bench.of(effects.StartRun)] == ["dpv", "dpv"]


def test_held_before_the_run_began_it_waits_for_a_person_after_a_restart() -> None:
    bench = Bench({"run": "dpv"})
    bench.feed(events.Hold(0.0, "ana"))
    bench.feed(events.Restarted(5.0, "continue", None))
    assert (bench.progress.status, bench.progress.doing) == (Status.HELD, "nothing")
    bench.feed(events.Unhold(6.0, "ana"))
    bench.run()
    assert bench.progress.status is Status.COMPLETE


@pytest.mark.parametrize("event", [events.Restarted(5.0, "continue", None), events.Refused(5.0, "called off")])
def test_a_step_that_was_skipped_before_its_run_began_is_left(event: events.Event) -> None:
    bench = Bench({"run": "dpv"}, {"run": "short"})
    bench.feed(events.Skip(0.0, "ana"))
    bench.feed(event)
    assert [each.method for each in bench.of(effects.StartRun)] == ["dpv", "short"]
    bench.run()
    assert (bench.progress.status, bench.progress.runs) == (Status.COMPLETE, 1)


def test_a_restart_stops_when_the_sequence_says_so() -> None:
    bench = Bench({"run": "dpv"})
    bench.feed(events.Started(1.0, "run-0"))
    bench.feed(events.Restarted(2.0, "stop", "run-0"))
    assert bench.effects[-1] == effects.EndRun("stop")


CHECKS = st.lists(
    st.fixed_dictionaries(
        {
            "quantity": st.just(HEIGHT),
            "least": st.sampled_from([0.5e-6, 1.5e-6]),
            "then": st.sampled_from(["flag", "hold", "leave-loop", "stop"]),
        }
    ),
    max_size=2,
)
RUNS = st.fixed_dictionaries(
    {"run": st.sampled_from(["dpv", "short"]), "times": st.integers(1, 3), "checks": CHECKS},
    optional={"again": st.just({"quantity": HEIGHT, "most": 1e-6, "run": "short", "at_most": 2})},
)
LEAVES = st.one_of(RUNS, st.just({"prompt": "Do it."}), st.just({"wait": "1 min"}))


def loops(inner: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(
        {"steps": st.lists(inner, min_size=1, max_size=3), "times": st.integers(1, 3)},
        optional={"every": st.just("2 min"), "overrun": st.sampled_from(["skip", "late"])},
    )


STEPS = st.lists(st.one_of(LEAVES, loops(LEAVES), loops(loops(LEAVES))), min_size=1, max_size=4)
MOVES = st.lists(
    st.tuples(
        st.sampled_from(
            ["started", "refused", "ended", "tick", "hold", "unhold", "skip", "stop", "abort", "answer", "restart"]
        ),
        st.floats(0, 200),
        st.sampled_from(["Complete", "Stopped", "Aborted"]),
        st.sampled_from([None, 1e-7, 1e-6, 2e-6]),
    ),
    max_size=60,
)


def event_of(move: tuple[str, float, str, float | None], at: float, progress: Progress) -> events.Event:
    kind, _, state, height = move
    run = progress.run or f"run-{progress.runs}"
    found = {} if height is None else {HEIGHT: height}
    made: dict[str, events.Event] = {
        "started": events.Started(at, run),
        "refused": events.Refused(at, "no"),
        "ended": events.Ended(at, run, state, "", found),
        "tick": events.Tick(at),
        "hold": events.Hold(at, "ana"),
        "unhold": events.Unhold(at, "ana"),
        "skip": events.Skip(at, "ana"),
        "stop": events.Stop(at, "ana"),
        "abort": events.Abort(at, "ana"),
        "answer": events.Answer(at, "ana", progress.prompt),
        "restart": events.Restarted(at, "continue", progress.run),
    }
    return made[kind]


def lawful(before: Progress, event: events.Event, after: Progress, todo: Sequence[effects.Effect]) -> None:
    starts = [each for each in todo if isinstance(each, effects.StartRun)]
    assert len(starts) <= 1
    if starts:
        assert after.status is Status.EXECUTE
        assert after.doing == "starting"
        assert after.run is None
        assert before.status not in OVER
        # Nothing starts while a run is asked for or on; what was asked for may never have begun.
        never = isinstance(event, events.Restarted) or (isinstance(event, events.Refused) and before.skipping)
        assert before.doing not in ("starting", "running") or isinstance(event, events.Ended) or never
        if before.status is Status.HELD:
            assert isinstance(event, events.Unhold)
    if isinstance(event, events.Ended) and event.state == "Aborted" and before.run == event.run:
        assert not starts
    assert (after.doing == "running") == (after.run is not None)
    assert after.at >= before.at
    if after.status in OVER | {Status.HELD}:
        assert after.doing not in ("starting", "running")
    if before.status in OVER:
        assert after == before


@settings(max_examples=150, deadline=None)
@given(STEPS, MOVES)
def test_whatever_happens(steps: list[dict[str, Any]], moves: list[tuple[str, float, str, float | None]]) -> None:
    course = Course(parse(sequence(*steps)))
    progress, todo = begin(course)
    lawful(Progress(), events.Tick(0.0), progress, todo)
    at = 0.0
    for move in moves:
        at += move[1]
        event = event_of(move, at, progress)
        after, todo = step(course, progress, event)
        lawful(progress, event, after, todo)
        # A restart goes on from what was stored.
        stored = Progress.model_validate_json(progress.model_dump_json())
        assert step(course, stored, event) == (after, todo)
        progress = after


@settings(max_examples=100, deadline=None)
@given(STEPS)
def test_left_alone_it_comes_to_its_end(steps: list[dict[str, Any]]) -> None:
    """With runs that complete and people who answer and go on, every sequence ends."""
    course = Course(parse(sequence(*steps)))
    progress, _ = begin(course)
    at = 0.0
    for _ in range(5000):
        if progress.status in OVER:
            return
        at += 1.0
        match progress.doing:
            case "starting":
                event: events.Event = events.Started(at, f"run-{progress.runs}")
            case "running":
                assert progress.run is not None
                event = events.Ended(at, progress.run, "Complete", "", {HEIGHT: 1e-6})
            case "prompting":
                event = events.Answer(at, "ana", progress.prompt)
            case "waiting" if progress.status is Status.EXECUTE:
                due = next_deadline(progress)
                assert due is not None
                at = max(at, due)
                event = events.Tick(at)
            case _:
                event = events.Unhold(at, "ana")
        progress, _ = step(course, progress, event)
    raise AssertionError(f"it went on for ever: {progress}")
