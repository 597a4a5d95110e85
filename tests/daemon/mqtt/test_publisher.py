"""Runs by cursor, from a real store to a link that notes what it is given and acknowledges when it is told to."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from luggin.daemon.board import Board
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import ConnectionLost, Link, TooLarge
from luggin.daemon.mqtt.publisher import POINTS_A_STEP, Backlog, RunPublisher, publish_board
from luggin.daemon.store import Outstanding, Store
from luggin.protocol import topics
from luggin.protocol.payloads import Alarm, Evaluation, Points, RunEvent, RunHeader, RunResult
from luggin.protocol.topics import Kind
from support.evaluated import evaluation
from support.runs import NODE, store_run
from support.stored_runs import header, result, sweep


@dataclass(frozen=True)
class Message:
    topic: str
    payload: bytes

    @property
    def kind(self) -> str:
        return self.topic.rpartition("/")[2]

    @property
    def run(self) -> str:
        return self.topic.split("/")[4]

    @property
    def points(self) -> Points:
        return Points.model_validate_json(self.payload)


class NotingLink:
    """Acknowledges at once while `open`; breaks after `breaks_after` messages."""

    def __init__(self, largest: int = 128 * 1024, breaks_after: int | None = None) -> None:
        self.endpoint = Endpoint("nowhere", 1, largest_message=largest)
        self.messages: list[Message] = []
        self.open = asyncio.Event()
        self.open.set()
        self.waiting = 0
        self._breaks_after = breaks_after
        self._changed = asyncio.Condition()

    async def publish(self, topic: str, payload: bytes, kind: Kind) -> None:
        if len(payload) > self.endpoint.largest_message:
            raise TooLarge(topic)
        if self._breaks_after is not None and len(self.messages) >= self._breaks_after:
            raise ConnectionLost("planned")
        self.messages.append(Message(topic, payload))
        self.waiting += 1
        async with self._changed:
            self._changed.notify_all()
        await self.open.wait()
        self.waiting -= 1

    async def until(self, kind: str, run: str) -> None:
        await self.until_true(lambda: any((each.kind, each.run) == (kind, run) for each in self.messages))

    async def until_true(self, predicate: Callable[[], bool]) -> None:
        async with self._changed:
            await self._changed.wait_for(predicate)

    def of(self, run: str) -> list[Message]:
        return [each for each in self.messages if each.run == run]


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as store:
        yield store


@asynccontextmanager
async def publishing(store: Store, link: NotingLink) -> AsyncIterator[RunPublisher]:
    publisher = RunPublisher(NODE, store, cast(Link, link))
    task = asyncio.create_task(publisher.run())
    try:
        yield publisher
    finally:
        task.cancel()
        await asyncio.wait([task])
        if not task.cancelled():
            task.result()


def indices(messages: list[Message]) -> list[int]:
    return [i for m in messages if m.kind == "points" for i in range(m.points.first, m.points.first + m.points.count)]


async def test_a_run_goes_out_in_order(store: Store) -> None:
    link = NotingLink()
    async with publishing(store, link):
        await store_run(store, "run-1", 2300)
        await link.until("result", "run-1")
    messages = link.of("run-1")
    assert messages[0].kind == "header"
    assert RunHeader.model_validate_json(messages[0].payload) == await store.header("run-1")
    assert indices(messages) == list(range(2300))
    assert [RunEvent.model_validate_json(m.payload).kind for m in messages if m.kind == "event"] == ["remark"]
    assert messages[-1].kind == "result"
    published = RunResult.model_validate_json(messages[-1].payload)
    assert published == await store.result("run-1"), "its hash and seal with it: who listens is a witness"
    assert published.hash
    assert all(m.points.live for m in messages if m.kind == "points")


async def test_values_arrive_as_they_were_stored(store: Store) -> None:
    link = NotingLink()
    async with publishing(store, link):
        await store_run(store, "run-1", 700)
        await link.until("result", "run-1")
    wanted = sweep("run-1", 0, 700)
    for name, column in wanted.columns.items():
        found = [v for m in link.of("run-1") if m.kind == "points" for v in m.points.columns[name]]
        assert np.array_equal(np.array(found, dtype=column.dtype), column)


async def test_backlog_is_marked_and_live_news_of_other_runs_go_first(store: Store) -> None:
    await store_run(store, "old-run", 20_000)
    link = NotingLink()
    async with publishing(store, link):
        await link.until("points", "old-run")
        link.open.clear()
        await store_run(store, "new-run", 10)
        before = len(link.messages)
        link.open.set()
        await link.until("result", "new-run")
        after = [each for each in link.messages[before:] if each.run == "old-run" and each.kind == "points"]
        assert len(after) <= 2  # each step of the new run waits for one message of the backlog at most
        await link.until("result", "old-run")
    assert not any(m.points.live for m in link.of("old-run") if m.kind == "points")
    assert all(m.points.live for m in link.of("new-run") if m.kind == "points")
    assert indices(link.of("old-run")) == list(range(20_000))


async def test_a_run_in_progress_turns_from_backlog_to_live(store: Store) -> None:
    await store_run(store, "run-1", 1500, finish=False)
    link = NotingLink()
    async with publishing(store, link):
        await link.until("points", "run-1")
        await store.put(sweep("run-1", 1500, 600))
        await store.finish_run(result("run-1", 2100))
        await link.until("result", "run-1")
    live = {index: m.points.live for m in link.of("run-1") if m.kind == "points" for index in indices([m])}
    assert [index for index, is_live in sorted(live.items()) if is_live] == list(range(1500, 2100))


async def test_backlog_is_one_message_at_a_time(store: Store) -> None:
    await store_run(store, "old-run", 5000)
    link = NotingLink()
    link.open.clear()
    async with publishing(store, link):
        await link.until("header", "old-run")
        for _ in range(50):
            await asyncio.sleep(0)
        assert link.waiting == 1
        link.open.set()
        await link.until("result", "old-run")


async def test_a_broker_that_does_not_acknowledge_costs_one_step_of_a_run(store: Store) -> None:
    link = NotingLink()
    async with publishing(store, link):
        await store.begin_run(header("run-1", points=50_000))
        await link.until("header", "run-1")
        link.open.clear()
        await store.put(sweep("run-1", 0, 50_000))
        await link.until("points", "run-1")
        for _ in range(200):
            await asyncio.sleep(0)
        assert sum(m.points.count for m in link.messages if m.kind == "points") <= POINTS_A_STEP
        link.open.set()
        await store.finish_run(result("run-1", 50_000))
        await link.until("result", "run-1")
    assert indices(link.messages) == list(range(50_000))


async def test_what_was_not_acknowledged_goes_out_again(store: Store) -> None:
    await store_run(store, "run-1", 5000)
    sent: list[Message] = []
    for breaks_after in (1, 2, 3):
        link = NotingLink(breaks_after=breaks_after)
        with pytest.raises(BaseExceptionGroup) as lost:
            await RunPublisher(NODE, store, cast(Link, link)).run()
        assert lost.value.split(ConnectionLost)[1] is None
        sent += link.messages
    link = NotingLink()
    async with publishing(store, link):
        await link.until("result", "run-1")
    sent += link.messages
    assert set(indices(sent)) == set(range(5000))
    assert [m.kind for m in sent].count("header") == 1
    assert [m.kind for m in sent].count("result") == 1


async def test_the_cursor_outlives_the_daemon(tmp_path: Path) -> None:
    path = tmp_path / "runs.sqlite"
    async with Store.open(path, interval=0.01, slow_interval=0.01) as store:
        await store_run(store, "run-1", 1000, finish=False)
        first = NotingLink()
        async with publishing(store, first) as publisher:
            await first.until("event", "run-1")
            await publisher.caught_up(store.serial)
    async with Store.open(path, interval=0.01, slow_interval=0.01) as store:
        await store.put(sweep("run-1", 1000, 100))
        await store.finish_run(result("run-1", 1100))
        second = NotingLink()
        async with publishing(store, second):
            await second.until("result", "run-1")
    assert indices(second.messages) == list(range(1000, 1100))
    assert [m.kind for m in second.messages] == ["points", "result"]


async def test_late_filled_holes_are_published_too(store: Store) -> None:
    link = NotingLink()
    async with publishing(store, link):
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 10))
        await store.put(sweep("run-1", 20, 10))
        await link.until("event", "run-1")  # of the gap
        await store.put(sweep("run-1", 10, 10))
        await store.finish_run(result("run-1", 30))
        await link.until("result", "run-1")
    assert sorted(indices(link.messages)) == list(range(30))


async def test_what_no_broker_carries_is_left_out_and_the_rest_goes_on(store: Store) -> None:
    link = NotingLink(largest=2000)
    async with publishing(store, link):
        await store.begin_run(header("run-1").model_copy(update={"method": {"notes": "x" * 3000}}))
        await store.put(sweep("run-1", 0, 50))
        await store.finish_run(result("run-1", 50))
        await link.until("result", "run-1")
    assert not any(m.kind == "header" for m in link.messages)
    assert indices(link.messages) == list(range(50))


async def test_a_finished_run_that_was_followed_does_not_wait_behind_many_old_ones(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("luggin.daemon.mqtt.publisher.MOST_RUNS", 3)
    for number in range(6):
        await store_run(store, f"old-{number}", 3000)
    link = NotingLink()
    asked: list[int] = []
    listed = store.unpublished

    async def noted(limit: int, ahead: Collection[str] = ()) -> list[Outstanding]:
        asked.append(limit)
        return await listed(limit, ahead)

    monkeypatch.setattr(store, "unpublished", noted)
    async with publishing(store, link):
        await link.until("points", "old-0")
        await store_run(store, "new-run", 10)
        await link.until("result", "new-run")
        assert not any(m.run == "old-5" for m in link.messages)
        assert len(asked) > 2
        assert set(asked[1:]) == {3}  # the whole backlog is listed once


async def test_caught_up_means_the_live_news_are_out(store: Store) -> None:
    await store_run(store, "old-run", 20_000)
    link = NotingLink()
    async with publishing(store, link) as publisher:
        await store_run(store, "new-run", 700)
        await publisher.caught_up(store.serial)
        assert link.of("new-run")[-1].kind == "result"


def outstanding(run: str, stored: int, points: int | None = None, finished: bool = False) -> Outstanding:
    return Outstanding(run, "pstat", False, points, None, finished, finished, stored)


def test_backlog_and_news() -> None:
    backlog = Backlog([outstanding("going", 100, 40), outstanding("ended", 50, 0, finished=True)])
    assert backlog.holds(outstanding("going", 120, 99))
    assert not backlog.holds(outstanding("going", 120, 100))
    assert not backlog.holds(outstanding("going", 120, None))
    assert backlog.holds(outstanding("ended", 50, None, finished=True))
    assert not backlog.holds(outstanding("begun-since", 10, 0))
    assert backlog.live_from("begun-since") == 0


async def test_the_board_goes_out_newest_only() -> None:
    board, link = Board(), NotingLink()
    topic = topics.instrument("bench", "pstat", "alarm")

    def alarm(sentence: str) -> Alarm:
        return Alarm(node="bench", instrument="pstat", active=True, sentence=sentence, utc=0.0)

    board.post(topic, alarm("first"))
    link.open.clear()
    task = asyncio.create_task(publish_board(board, cast(Link, link)))
    await link.until_true(lambda: len(link.messages) == 1)
    for number in range(100):
        board.post(topic, alarm(f"{number}"))
    link.open.set()
    await link.until_true(lambda: len(link.messages) == 2)
    task.cancel()
    await asyncio.wait([task])
    found: list[Any] = [json.loads(m.payload)["sentence"] for m in link.messages]
    assert found == ["first", "99"]


async def test_evaluations_follow_their_runs_once_and_without_what_the_broker_can_not_carry(store: Store) -> None:
    await store_run(store, "run-1", 10)
    link, large = NotingLink(largest=20_000), {"text": "µ" * 20_000}
    async with publishing(store, link):
        await link.until("result", "run-1")
        await store.add_evaluation(evaluation("first"))
        await store.add_evaluation(evaluation("second", body=large))
        await link.until_true(lambda: sum(m.kind == "evaluation" for m in link.messages) == 2)
    sent = [Evaluation.model_validate_json(m.payload) for m in link.messages if m.kind == "evaluation"]
    assert sent == [evaluation("first"), evaluation("second", body=large).model_copy(update={"body": None})]
    again = NotingLink()
    async with publishing(store, again):
        await store.add_evaluation(evaluation("third"))
        await again.until("evaluation", "run-1")
    (last,) = [m for m in again.messages if m.kind == "evaluation"]
    assert last.topic == f"luggin/{NODE}/bench-1/run/run-1/evaluation"
    assert Evaluation.model_validate_json(last.payload).name == "third"


async def test_an_evaluation_of_several_runs_goes_out_under_each(store: Store) -> None:
    await store_run(store, "run-1", 10)
    await store_run(store, "run-2", 10)
    await store.add_evaluation(evaluation("both", ("run-1", "run-2")))
    await store.add_evaluation(evaluation("none", ()))
    link = NotingLink()
    async with publishing(store, link):
        await link.until("evaluation", "run-1")
        await link.until("evaluation", "run-2")
    assert sum(m.kind == "evaluation" for m in link.messages) == 2
