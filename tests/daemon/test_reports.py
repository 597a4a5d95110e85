"""What an instrument's session says to the outside, by clocks that the test sets."""

from dataclasses import dataclass, replace

import numpy as np

from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.execution import Execution
from luggin.daemon.reports import Reports
from luggin.protocol.instrument import Cell, Reading
from luggin.protocol.payloads import Alarm, Health, InstrumentState, Progress
from luggin.protocol.points import Batch, batch
from luggin.protocol.unit import Link, Off, State, begin
from support.method_header import header
from support.scripted import CAPABILITY


@dataclass
class Hands:
    monotonic: float = 100.0
    utc: float = 1_790_000_000.0

    @property
    def clock(self) -> Clock:
        return Clock(lambda: self.monotonic, lambda: self.utc, lambda: True)

    def move(self, seconds: float) -> None:
        self.monotonic += seconds
        self.utc += seconds


def points(first: int, count: int) -> Batch:
    index = np.arange(first, first + count)
    columns = {"time": (index + 1) * 0.1, "phase": index * 0, "cycle": index * 0 + 1, "potential": index * 0.0}
    return batch("run-1", "boot-1", first, columns)


def test_moments_of_the_monotonic_clock_are_told_in_utc() -> None:
    hands, board = Hands(), Board()
    unit = replace(begin(90.0), link=Link.UP, cell=Cell.OFF, cell_read=97.0, token="t")
    Reports("lab", "left", board, hands.clock, 0.25).state(unit)
    state = board.entries["luggin/lab/left/state"]
    assert isinstance(state, InstrumentState)
    assert (state.link_since, state.cell_read, state.utc) == (hands.utc - 10, hands.utc - 3, hands.utc)


def test_an_alarm_keeps_its_beginning_and_ends() -> None:
    hands, board = Hands(), Board()
    reports = Reports("lab", "left", board, hands.clock, 0.25)
    aborted = replace(begin(90.0), state=State.ABORTED, reason="anna asked to abort.")

    def alarm() -> Alarm:
        found = board.entries["luggin/lab/left/alarm"]
        assert isinstance(found, Alarm)
        return found

    reports.state(begin(90.0))
    assert not alarm().active
    reports.state(aborted)
    began = hands.utc
    hands.move(60.0)
    reports.state(replace(aborted, reason="bert asked to abort."))
    assert (alarm().since, alarm().sentence) == (began, "bert asked to abort.")
    reports.state(replace(aborted, off=Off(failures=1, detail="no answer")))
    assert (alarm().kind, alarm().since) == ("cell-unknown", hands.utc)
    reports.state(begin(90.0))
    assert (alarm().active, alarm().since) == (False, None)


def test_progress_comes_at_most_four_times_a_second() -> None:
    hands, board = Hands(), Board()
    reports, execution = Reports("lab", "left", board, hands.clock, 0.25), Execution(header("run-1"))
    seen = list[Progress]()
    for number in range(100):
        reports.progress(execution, points(number, 1))
        progress = board.entries["luggin/lab/left/progress"]
        assert isinstance(progress, Progress)
        seen += [] if progress in seen else [progress]
        hands.move(0.01)
    assert len(seen) == 4
    assert (seen[0].phase_name, seen[0].cycle, seen[0].longest) == ("measure", 1, 1000.0)


def test_health_names_the_instrument() -> None:
    board = Board()
    reading = Reading(cell=Cell.OFF, clock=1.0, battery=0.5, temperature=298.15)
    Reports("lab", "left", board, Hands().clock, 0.25).health(CAPABILITY, reading, 17)
    health = board.entries["luggin/lab/left/health"]
    assert isinstance(health, Health)
    assert (health.model, health.battery, health.unpublished, health.current) == ("scripted", 0.5, 17, None)
