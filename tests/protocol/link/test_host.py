"""The host's end against an instrument on paper, over wires of all qualities."""

import random
from itertools import pairwise

import numpy as np
import pytest

from luggin.protocol.instrument import Activity, Cell, Outcome, Status
from luggin.protocol.link import documents, message
from luggin.protocol.link.host import Phase
from luggin.protocol.link.numbers import Code
from luggin.protocol.link.requests import MOST_UNANSWERED, Failure, Timing
from luggin.protocol.points import Batch
from support.paper_instrument import PaperInstrument, points, program
from support.wire import Bench, Quality

RUN = "column-3"
WIRES = {
    "normal": Quality(),
    "one byte at a time": Quality(piece=1),
    "delayed": Quality(delay=0.4),
    "20 % lost": Quality(loss=0.2),
    "garbled": Quality(garble=0.15),
    "all at once": Quality(loss=0.2, garble=0.05, delay=0.1, piece=7),
}


def arm(bench: Bench, count: int = 400, period: float = 0.01, run: str = RUN) -> None:
    encoded = documents.write_program(program(count, period))
    for offset in range(0, len(encoded), 400):
        assert isinstance(bench.answer(message.Upload(0, offset, encoded[offset : offset + 400])), message.Done)
    armed = bench.answer(message.Arm(0, run, len(encoded), documents.program_digest(encoded)))
    assert isinstance(armed, message.Done)


def start(bench: Bench, run: str = RUN) -> message.Answer:
    bench.answer(message.AskStatus(0))
    return bench.answer(message.Start(0, run, bench.host.clock))


def statuses(bench: Bench) -> list[Status]:
    return [each for each in bench.news if isinstance(each, Status)]


def batches(bench: Bench) -> list[Batch]:
    return [each for each in bench.news if isinstance(each, Batch)]


def ended(bench: Bench) -> bool:
    return any(each.activity is Activity.ENDED for each in statuses(bench))


def assert_points(received: list[Batch], first: int, after: int, period: float = 0.01) -> None:
    """They are exactly the points that the instrument made, each once and in order."""
    indices = [index for each in received for index in range(each.first, each.after)]
    assert indices == list(range(first, after))
    made = points(RUN, received[0].boot, first, after, period)
    for name, column in made.columns.items():
        joined = np.concatenate([each.columns[name] for each in received])
        assert joined.dtype == column.dtype
        assert np.array_equal(joined, column), name


@pytest.mark.parametrize("quality", WIRES.values(), ids=WIRES)
@pytest.mark.parametrize("seed", range(3))
def test_a_run_comes_over_complete(quality: Quality, seed: int) -> None:
    bench = Bench(PaperInstrument(), quality, seed)
    arm(bench)
    assert isinstance(start(bench), message.Done)
    bench.until(lambda: ended(bench))
    assert_points(batches(bench), 0, 400)
    assert isinstance(bench.news[-1], Status), "the last point comes before the status that tells of the end"
    assert statuses(bench)[-1].outcome is Outcome.COMPLETED
    assert bench.instrument.starts == 1
    assert isinstance(bench.answer(message.Acknowledge(0, RUN, 400)), message.Done)
    bench.until(lambda: statuses(bench)[-1].activity is Activity.IDLE)


@pytest.mark.parametrize("quality", WIRES.values(), ids=WIRES)
def test_cell_off_gets_its_receipt(quality: Quality) -> None:
    bench = Bench(PaperInstrument(), quality)
    arm(bench)
    start(bench)
    answer = bench.answer(message.CellOff(0))
    assert isinstance(answer, message.OffReceipt)
    assert answer.receipt.cell is Cell.OFF
    assert bench.instrument.outcome is Outcome.OFF


def test_lost_start_is_repeated_and_starts_once() -> None:
    bench = Bench(PaperInstrument())
    arm(bench)
    bench.quality = Quality(loss=0.6)
    start(bench)
    assert bench.instrument.starts == 1
    heard = [each for each in bench.instrument.heard if isinstance(each, message.Start)]
    assert len({each.sequence for each in heard}) == 1


def test_start_is_given_up_in_time_and_never_repeated_after_that() -> None:
    bench = Bench(PaperInstrument())
    arm(bench)
    bench.answer(message.AskStatus(0))
    bench.connected = False
    ticket = bench.ask(message.Start(0, RUN, bench.host.clock))
    bench.until(lambda: ticket in bench.failures)
    assert bench.failures[ticket] is Failure.NO_ANSWER
    assert bench.now < 10.0
    bench.connected = True
    since = bench.now
    bench.until(lambda: bench.now > since + 2.0)
    assert bench.instrument.starts == 0


def test_cell_off_overtakes_what_waits() -> None:
    bench = Bench(PaperInstrument())
    arm(bench)
    bench.answer(message.AskStatus(0))
    waiting = bench.ask(message.Start(0, RUN, bench.host.clock))
    off = bench.ask(message.CellOff(0))
    assert bench.failures[waiting] is Failure.OVERTAKEN
    bench.until(lambda: off in bench.answers)
    assert bench.instrument.starts == 0
    assert bench.instrument.activity is Activity.IDLE, "the program is disarmed"


def test_start_that_was_delayed_beyond_a_cell_off_does_nothing() -> None:
    """The instrument refuses an ordered request that a later cell-off overtook on its way."""
    bench = Bench(PaperInstrument())
    arm(bench)
    bench.answer(message.AskStatus(0))
    ticket = bench.ask(message.Start(0, RUN, bench.host.clock))
    held_back = bench.host.next_frame(bench.now)
    assert held_back is not None
    bench.answer(message.CellOff(0))
    bench.instrument.receive(held_back, bench.now)
    assert bench.instrument.starts == 0
    assert ticket in bench.failures


def test_cell_off_and_keep_alive_go_first() -> None:
    bench = Bench(PaperInstrument())
    for _ in range(10):
        bench.ask(message.AskReading(0))
    bench.ask(message.KeepAlive(0, 0.0))
    bench.ask(message.CellOff(0))
    known = len(bench.instrument.heard)
    bench.step()
    kinds = [type(each) for each in bench.instrument.heard[known:]]
    assert kinds[:2] == [message.CellOff, message.KeepAlive]
    assert kinds[2:] == [message.AskReading] * MOST_UNANSWERED


def test_refusals_reach_the_one_who_asked() -> None:
    bench = Bench(PaperInstrument())
    answer = bench.answer(message.Start(0, RUN, bench.host.clock))
    assert isinstance(answer, message.Refusal)
    assert answer.code is Code.WRONG_STATE


def test_silence_is_loss() -> None:
    bench = Bench(PaperInstrument())
    bench.connected = False
    ticket = bench.ask(message.AskReading(0))
    bench.until(lambda: bench.lost is not None, longest=6.0)
    assert bench.lost is not None
    assert "silent for 5.0 s" in bench.lost.reason
    assert ticket in bench.failures
    assert bench.host.phase is Phase.LOST
    assert bench.host.next_frame(bench.now) is None
    with pytest.raises(ValueError, match="lost"):
        bench.host.request(message.AskStatus(0), bench.now)


def test_a_host_that_slept_listens_before_it_calls_the_link_lost() -> None:
    bench = Bench(PaperInstrument())
    bench.answer(message.AskStatus(0))
    bench.now += 3600.0
    bench.until(lambda: bench.lost is not None or bench.host.clock > 3600.0)
    assert bench.lost is None


def test_requests_on_the_list_fail_when_the_link_is_lost() -> None:
    bench = Bench(PaperInstrument())
    tickets = [bench.ask(message.AskReading(0)) for _ in range(6)]
    events = bench.host.lose("the cable was pulled")
    bench._take(events)
    assert all(bench.failures[ticket] is Failure.LINK_LOST for ticket in tickets)
    assert bench.host.lose("again") == []


def test_restarted_instrument_is_a_lost_link() -> None:
    bench = Bench(PaperInstrument())
    bench.instrument.restart()
    bench.until(lambda: bench.lost is not None, longest=3.0)
    assert bench.lost is not None
    assert "restarted" in bench.lost.reason


def test_another_version_is_told_in_a_sentence() -> None:
    bench = Bench(PaperInstrument())
    bench.instrument.versions = (2, 3)
    bench.connect()
    assert bench.lost is not None
    assert bench.lost.foreign
    assert "versions 2 to 3" in bench.lost.reason


def test_a_new_host_adopts_a_run_and_misses_nothing() -> None:
    bench = Bench(PaperInstrument(), Quality(loss=0.1))
    arm(bench)
    start(bench)
    bench.until(lambda: bool(batches(bench)) and batches(bench)[-1].after > 100)
    durable = batches(bench)[3].after
    bench.answer(message.Acknowledge(0, RUN, durable))
    bench.connect()
    report = bench.answer(message.AskStatus(0))
    assert isinstance(report, message.Report)
    assert report.status.activity is Activity.RUNNING
    assert report.status.run == RUN
    for _ in range(40):
        bench.step()
    assert not batches(bench), "points wait until they are asked for"
    assert isinstance(bench.answer(message.Replay(0, RUN, durable)), message.ReplayFrom)
    bench.until(lambda: ended(bench))
    assert_points(batches(bench), durable, 400)


def test_a_run_that_ended_unwatched_is_told_again_after_its_last_point() -> None:
    bench = Bench(PaperInstrument())
    arm(bench)
    start(bench)
    bench.until(lambda: ended(bench))
    bench.connect()
    bench.answer(message.AskStatus(0))
    bench.answer(message.Replay(0, RUN, 0))
    bench.until(lambda: ended(bench))
    assert_points(batches(bench), 0, 400)
    assert isinstance(bench.news[-1], Status)


def test_points_that_were_overwritten_leave_a_gap_and_no_stall() -> None:
    bench = Bench(PaperInstrument())
    bench.instrument.buffer = 50
    arm(bench)
    start(bench)
    bench.until(lambda: bool(batches(bench)) and batches(bench)[-1].after > 100)
    bench.quality = Quality(loss=1.0)
    silent_since = bench.now
    bench.until(lambda: bench.now > silent_since + 1.5)
    bench.quality = Quality()
    bench.until(lambda: ended(bench))
    received = batches(bench)
    gaps = [right.first - left.after for left, right in pairwise(received)]
    assert sum(gap > 0 for gap in gaps) == 1
    assert min(gaps) == 0
    assert received[-1].after == 400


def test_replay_of_what_does_not_exist_changes_nothing() -> None:
    bench = Bench(PaperInstrument())
    arm(bench)
    start(bench)
    bench.until(lambda: bool(batches(bench)))
    answer = bench.answer(message.Replay(0, RUN, 10_000))
    assert isinstance(answer, message.Refusal)
    bench.until(lambda: ended(bench))
    assert_points(batches(bench), 0, 400)


def test_replay_in_the_middle_of_a_run_gives_the_same_points_again() -> None:
    bench = Bench(PaperInstrument(), Quality(loss=0.2))
    arm(bench)
    start(bench)
    bench.until(lambda: bool(batches(bench)) and batches(bench)[-1].after > 200)
    bench.news.clear()
    bench.answer(message.Replay(0, RUN, 0))
    bench.until(lambda: ended(bench))
    assert_points(batches(bench), 0, 400)


def test_paused_points_are_fetched_later_while_answers_pass() -> None:
    bench = Bench(PaperInstrument())
    arm(bench)
    start(bench)
    bench.until(lambda: bool(batches(bench)))
    bench.host.pause()
    taken = len(batches(bench))
    bench.until(lambda: bench.instrument.activity is Activity.ENDED)
    assert isinstance(bench.answer(message.AskReading(0)), message.ReadingReport)
    assert len(batches(bench)) == taken
    assert not ended(bench)
    bench.host.resume(bench.now)
    bench.until(lambda: ended(bench))
    assert_points(batches(bench), 0, 400)


def test_withdrawn_requests_are_not_sent_again() -> None:
    bench = Bench(PaperInstrument())
    bench.connected = False
    ticket = bench.ask(message.AskReading(0))
    bench.step()
    bench.host.withdraw(ticket)
    bench.connected = True
    since = bench.now
    bench.until(lambda: bench.now > since + 1.0)
    assert message.AskReading not in {type(each) for each in bench.instrument.heard}
    assert ticket not in bench.failures


def test_fields_that_do_not_fit_are_refused_before_they_are_sent() -> None:
    bench = Bench(PaperInstrument())
    with pytest.raises(ValueError, match="run: expected 1 to 64 small letters"):
        bench.ask(message.Acknowledge(0, "Run 1", 0))


def test_nothing_is_due_between_deadlines() -> None:
    """A shell that sleeps until next_send and next_tick misses nothing and does not spin."""
    bench = Bench(PaperInstrument(), timing=Timing(status=2.0))
    bench.until(lambda: bench.host.clock > 0.0)
    bench.step()
    host = bench.host
    tick, send = host.next_tick(), host.next_send()
    assert tick is not None
    assert tick > bench.now
    assert send is None or send > bench.now
    assert host.tick(bench.now) == []
    assert host.next_frame(bench.now) is None


def test_slow_lines_are_given_time() -> None:
    timing = Timing().on_line(960.0)
    assert timing.repeat == pytest.approx(0.3 + 2 * 512 / 960)


def _anything_goes(seed: int) -> None:
    """Pauses, replays and questions at random moments of a run on a bad wire; the points are complete all the same."""
    chance = random.Random(seed)
    quality = Quality(
        loss=chance.choice([0, 0.1, 0.2]),
        garble=chance.choice([0, 0.1]),
        delay=chance.choice([0, 0.05, 0.3]),
        piece=chance.choice([1, 13, 512]),
    )
    bench = Bench(PaperInstrument(), seed=seed)
    arm(bench)
    start(bench)
    bench.quality = quality
    while not ended(bench):
        bench.step()
        assert bench.now < 200.0, "the exchange has stalled"
        what = chance.random()
        if what < 0.003:
            bench.host.pause()
        elif what < 0.02:
            bench.host.resume(bench.now)
        elif what < 0.022:
            bench.news = [each for each in bench.news if isinstance(each, Status)]
            bench.ask(message.Replay(0, RUN, 0))
        elif what < 0.03:
            bench.ask(message.AskReading(0))
    assert_points(batches(bench), 0, 400)


@pytest.mark.parametrize("seed", range(8))
def test_anything_goes(seed: int) -> None:
    _anything_goes(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 400))
def test_anything_goes_for_long(seed: int) -> None:
    _anything_goes(seed)


def test_a_program_that_a_former_host_armed_is_followed_from_its_start() -> None:
    bench = Bench(PaperInstrument())
    arm(bench)
    bench.connect()
    start(bench)
    bench.until(lambda: ended(bench))
    assert_points(batches(bench), 0, 400)
