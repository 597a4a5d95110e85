"""Questions about stored runs, with a real store."""

from collections.abc import AsyncIterator
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.questions import Questions
from luggin.daemon.store import Store
from luggin.protocol.payloads import (
    AskEvaluation,
    AskEvaluations,
    AskPoints,
    AskRun,
    AskRuns,
    Evaluation,
    Points,
    RunHeader,
    RunResult,
)
from support.evaluated import evaluation
from support.runs import store_run
from support.stored_runs import SWEEP, result, sweep


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "runs.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store_run(store, "run-1", 3000)
        await store_run(store, "run-2", 10, finish=False)
        yield store


async def test_runs_newest_first(store: Store) -> None:
    reply = await Questions(store, 128 * 1024).handle(AskRuns(request="r"))
    assert [each["run"] for each in reply.data["runs"]] == ["run-2", "run-1"]
    assert [each["points"] for each in reply.data["runs"]] == [10, 3000]


async def test_one_run(store: Store) -> None:
    reply = await Questions(store, 128 * 1024).handle(AskRun(request="r", run="run-1"))
    assert RunHeader.model_validate(reply.data["header"]) == await store.header("run-1")
    assert RunResult.model_validate(reply.data["result"]) == result("run-1", 3000)
    ended = await store.result("run-1")
    assert ended is not None
    assert (reply.data["hash"], reply.data["seal"]) == (ended.hash, ended.seal)
    assert [each["kind"] for each in reply.data["events"]] == ["remark"]
    assert (reply.data["stored"], reply.data["gaps"]) == (3000, [])
    assert (reply.data["next_event"], reply.data["after_event"], reply.data["end"]) == (1, 1, 3000)
    unfinished = await Questions(store, 128 * 1024).handle(AskRun(request="r", run="run-2"))
    assert unfinished.data["result"] is None


async def test_points_in_answers_that_a_broker_carries(store: Store) -> None:
    questions, largest = Questions(store, 32 * 1024), 32 * 1024
    found: list[Points] = []
    first, answers = 100, 0
    while first < 2900:
        reply = await questions.handle(AskPoints(request="r", run="run-1", first=first, count=2900 - first))
        assert len(reply.model_dump_json()) <= largest
        found += [Points.model_validate(each) for each in reply.data["batches"]]
        first, answers = reply.data["after"], answers + 1
    assert answers > 1
    whole = sweep("run-1", 100, 2800)
    for name in SWEEP:
        values = np.array([v for each in found for v in each.columns[name]], dtype=whole.columns[name].dtype)
        assert np.array_equal(values, whole.columns[name])


async def test_points_that_do_not_exist_yet(store: Store) -> None:
    reply = await Questions(store, 128 * 1024).handle(AskPoints(request="r", run="run-2", first=5, count=100))
    assert [(each["first"], each["count"]) for each in reply.data["batches"]] == [(5, 5)]
    assert (reply.data["after"], reply.data["stored"]) == (105, 10)


@pytest.mark.parametrize(
    "question", [AskRun(request="r", run="none"), AskPoints(request="r", run="none", first=0, count=1)]
)
async def test_a_run_that_does_not_exist_is_a_sentence(store: Store, question: AskRun | AskPoints) -> None:
    reply = await Questions(store, 128 * 1024).handle(question)
    assert not reply.accepted
    assert "none" in reply.sentence


async def test_events_in_answers_that_a_broker_carries(store: Store) -> None:
    for number in range(40):
        await store.event("run-2", None, "remark", f"remark {number} " + "x" * 1000)
    questions, largest = Questions(store, 16 * 1024), 16 * 1024
    numbers: list[int] = []
    first, answers, after = 0, 0, 1
    while first < after:
        reply = await questions.handle(AskRun(request="r", run="run-2", event=first))
        assert len(reply.model_dump_json()) <= largest
        numbers += [each["number"] for each in reply.data["events"]]
        first, after, answers = reply.data["next_event"], reply.data["after_event"], answers + 1
    assert numbers == list(range(41))
    assert answers > 2


async def test_evaluations_are_listed_in_answers_that_a_broker_carries(store: Store) -> None:
    for number in range(150):
        await store.add_evaluation(evaluation(f"e-{number}", subject="sample/" + "µ" * 120))
    await store.add_evaluation(evaluation("other", ("run-2",), kind="levels"))
    questions, largest = Questions(store, 16 * 1024), 16 * 1024
    names: list[str] = []
    answers = 0
    while True:
        reply = await questions.handle(
            AskEvaluations(request="r", kind="peaks", limit=500, before=names[-1] if names else "")
        )
        assert len(reply.model_dump_json().encode()) <= largest
        if not reply.data["evaluations"]:
            break
        names += [each["name"] for each in reply.data["evaluations"]]
        answers += 1
    assert names == [f"e-{number}" for number in reversed(range(150))]
    assert answers > 1
    reply = await questions.handle(AskEvaluations(request="r", run="run-2"))
    assert [each["runs"] for each in reply.data["evaluations"]] == [["run-2"]]
    assert not (await questions.handle(AskEvaluations(request="r", before="none"))).accepted


async def test_an_evaluation_comes_in_pieces(store: Store) -> None:
    whole = evaluation(body={"text": '"µ\n' * 20_000})
    await store.add_evaluation(whole)
    questions, largest = Questions(store, 16 * 1024), 16 * 1024
    text, size = "", 1
    while len(text) < size:
        reply = await questions.handle(AskEvaluation(request="r", name="first", first=len(text)))
        assert len(reply.model_dump_json().encode()) <= largest
        text, size = text + reply.data["text"], reply.data["size"]
        assert reply.data["after"] == len(text)
    assert Evaluation.model_validate_json(text) == whole
    beyond = await questions.handle(AskEvaluation(request="r", name="first", first=size + 5))
    assert beyond.data["text"] == ""
    assert not (await questions.handle(AskEvaluation(request="r", name="none"))).accepted


async def test_runs_are_looked_for_and_answers_stay_below_what_a_broker_carries(store: Store) -> None:
    questions = Questions(store, 128 * 1024)
    reply = await questions.handle(AskRuns(request="r", sample="COLUMN outlet, invented", until=1e12))
    assert [each["run"] for each in reply.data["runs"]] == ["run-2", "run-1"]
    assert (await questions.handle(AskRuns(request="r", text="no such words"))).data["runs"] == []
    small = Questions(store, 2048 + 250)
    reply = await small.handle(AskRuns(request="r"))
    assert [each["run"] for each in reply.data["runs"]] == ["run-2"]
    reply = await small.handle(AskRuns(request="r", before="run-2"))
    assert [each["run"] for each in reply.data["runs"]] == ["run-1"]
