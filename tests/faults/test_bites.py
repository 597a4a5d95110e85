"""That the suite bites: daemons and instruments with one mistake each are found out."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from faults import laboratory
from faults.play import play
from faults.scenario import scenario
from luggin.daemon.books import Books
from luggin.daemon.clock import Clock
from luggin.daemon.control import Control
from luggin.daemon.store.ledger import Ledger
from luggin.protocol.instrument import Cell, Receipt
from luggin.protocol.points import Batch
from luggin.protocol.unit import commands, events
from luggin.sim.stage import Relay


def found(sentence: str, kind: str, place: Path, seeds: range = range(8)) -> bool:
    """Whether one of these scenarios comes to be found wrong in these words."""
    scenarios = (scenario(seed, [kind], ["chronoamperometry"]) for seed in seeds)
    return any(sentence in "\n".join(play(each, place).wrong) for each in scenarios)


def test_points_acknowledged_before_they_are_durable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep = Books.keep

    def hasty(self: Books, batch: Batch) -> None:
        keep(self, batch)
        self._feed(events.Stored(self._clock.monotonic(), batch.run, batch.first, batch.after))

    monkeypatch.setattr(Books, "keep", hasty)
    assert found("acknowledged points are not stored", "daemon killed", tmp_path, range(3, 11))


def test_a_start_whose_token_nobody_looks_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    start = commands.start

    def careless(unit: Any, by: str, token: str, order: Any) -> Any:
        return start(unit, by, unit.token or token, order)

    monkeypatch.setattr(commands, "start", careless)
    assert found("whose words were all stale", "stale commands", tmp_path, range(22, 30))


def test_timeouts_by_the_wall_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(laboratory, "Clock", lambda _, utc, kept: Clock(utc, utc, kept))
    assert found("the run should have been complete", "clock stepped", tmp_path, range(7, 14))


def test_a_store_that_forgets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = Ledger._store

    def forgetful(self: Ledger, run: str, book: Any, batch: Batch) -> None:
        if batch.first < 10:
            store(self, run, book, batch)
        else:
            self._cover(book, book.stored.end, batch.after)

    monkeypatch.setattr(Ledger, "_store", forgetful)
    assert found("acknowledged points are not stored", "link cut", tmp_path)


def test_a_receipt_that_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Relay, "read_back", lambda self: Cell.ON if self.wanted else Cell.OFF)
    assert found("while the cell was on", "off refused", tmp_path, range(1, 9))


def test_a_daemon_that_lets_its_cells_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def nothing(self: Control, session: Any, epoch: int) -> None:
        await asyncio.sleep(0)
        self.feed(events.OffAnswered(self.now(), epoch, Receipt(Cell.OFF)))

    monkeypatch.setattr(Control, "_switch_off", nothing)
    assert found("while the cell was on", "off refused", tmp_path, range(1, 9))
