"""After each run and on demand: what is stored, what is told, and what an end of the daemon in between leaves."""

import asyncio
import sys
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.evaluation.calculator import Calculator
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.evaluator import Evaluator, record
from luggin.daemon.evaluation.functions import Finding, evaluate
from luggin.daemon.evaluation.run_data import load_runs
from luggin.daemon.store import Store, open_store
from luggin.protocol import evaluation as kinds
from luggin.protocol.evaluation.peak_results import PeaksBody
from luggin.protocol.payloads import Evaluate, Reply
from support.stored_runs import header, result
from support.voltammograms import HEIGHT, PEAK, cyclic_columns, method_of, pulse_columns, store_voltammogram

SWV = "square-wave-voltammetry"
NOW = 1_790_001_000.0
ANALYTES = [{"name": "paracetamol", "window": ["0.2 V", "0.5 V"]}]


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        yield store


@pytest.fixture(autouse=True)
def _peaks_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever other kinds follow a run, these tests are about one."""
    monkeypatch.setattr(kinds, "KINDS", {"peaks": kinds.KINDS["peaks"]})


class Here(Calculator):
    """Computes in this process: starting the real one takes its time."""

    async def evaluate(self, kind: str, runs: Sequence[str], settings: Mapping[str, Any]) -> Finding:
        with open_store(self._store) as archive:
            return evaluate(kind, load_runs(archive, runs), settings)


@asynccontextmanager
async def evaluating(store: Store, calculator: Calculator | None = None) -> AsyncIterator[Evaluator]:
    evaluator = Evaluator(store, calculator or Here(store.path), "luggin 9.9", lambda: NOW)
    task = asyncio.create_task(evaluator.run())
    try:
        yield evaluator
    finally:
        task.cancel()
        await asyncio.wait({task})


async def settled(store: Store) -> None:
    """Wait until no run waits for its evaluation."""
    while await store.unevaluated():
        await store.changed(store.serial)


async def asked(evaluator: Evaluator, *runs: str, kind: str = "peaks", **settings: Any) -> Reply:
    payload = Evaluate(request="r", kind=kind, runs=runs, settings=settings)
    return await evaluator.handle(ReceivedCommand("evaluate", "ada", False, payload, "mqtt"))


async def test_after_a_run_its_peaks_are_there_as_its_method_asks(store: Store) -> None:
    async with evaluating(store, Calculator(store.path)) as evaluator:
        await store_voltammogram(store, "run-0", "cyclic-voltammetry", cyclic_columns(60, 150))
        await store_voltammogram(store, "run-1", SWV, pulse_columns(), evaluation={"analytes": ANALYTES})
        await settled(store)
        cyclic = await store.evaluation((await store.evaluations(run="run-0"))[0].name)
        assert len(PeaksBody.model_validate(cyclic.body).couples) == 60
        (found,) = await store.evaluations(run="run-1")
        made = await store.evaluation(found.name)
        assert (made.kind, made.subject, made.runs, made.software) == ("peaks", "run/run-1", ("run-1",), "luggin 9.9")
        assert (made.asked_by, made.verified, made.utc, made.expires) == ("analyst", True, NOW, None)
        body = PeaksBody.model_validate(made.body)
        ((each, peak),) = body.of("paracetamol")
        assert peak is not None
        assert each.status == "found"
        assert abs(peak.potential - PEAK) < 5 * peak.u_potential
        assert peak.height == pytest.approx(HEIGHT, rel=0.03)  # the drawn baseline cuts the feet of a sech squared
        told = [event.kind for event in await store.events("run-1")]
        assert told == ["evaluated"]
        assert await store.verify("run-1") == []

        # Once more with other settings: the first one stays.
        reply = await asked(evaluator, "run-1", smoothing={"width": "12 mV"}, baseline={"kind": "polynomial"})
        assert reply.accepted, reply.sentence
        again = await store.evaluation(reply.data["evaluation"])
        assert (again.asked_by, again.verified) == ("ada", False)
        assert again.settings["smoothing"] == {"width": 0.012, "order": 2}
        assert [each.name for each in await store.evaluations(run="run-1")] == [again.name, made.name]
        assert await store.evaluation(made.name) == made


async def test_techniques_without_an_evaluation_are_left_alone(store: Store) -> None:
    async with evaluating(store, Calculator(store.path, command=("/nowhere",))):
        await store_voltammogram(store, "run-1", "chronoamperometry", pulse_columns())
        await settled(store)
        assert await store.evaluations() == []
        assert await store.events("run-1") == []


async def test_a_failure_is_an_event_and_changes_nothing_of_the_run(store: Store) -> None:
    broken = Calculator(store.path, command=(sys.executable, "-c", "raise SystemExit(7)"))
    async with evaluating(store, broken):
        await store_voltammogram(store, "run-1", SWV, pulse_columns())
        before = await store.result("run-1")
        await settled(store)
        (event,) = await store.events("run-1")
        assert event.kind == "evaluation-failed"
        assert "it ended with exit code 7" in event.sentence
        assert await store.result("run-1") == before
        assert await store.verify("run-1") == []


def test_a_name_that_can_not_be_stored_is_said() -> None:
    found, settings = Finding({}, (), "sample/two\nlines"), kinds.settings_of("peaks")
    with pytest.raises(EvaluationError, match=r"what was found can't be stored: subject = 'sample/two\\nlines'"):
        record(found, ["run-1"], settings, "luggin 9.9", "ada", True, NOW)


async def test_settings_of_another_version_are_a_failure_too(store: Store) -> None:
    method = {**method_of(SWV), "evaluation": [{"kind": "peaks", "glow": 3}]}
    async with evaluating(store):
        await store.begin_run(header("run-1").model_copy(update={"method": method}))
        await store.finish_run(result("run-1", 0))
        await settled(store)
        (event,) = await store.events("run-1")
        assert "evaluation[0].glow = 3: this field is unknown here" in event.sentence


async def test_a_daemon_that_ends_while_it_evaluates_leaves_the_run_to_the_next_one(
    store: Store, tmp_path: Path
) -> None:
    hanging = Calculator(store.path, command=(sys.executable, "-c", "import time; time.sleep(1000)"))
    async with evaluating(store, hanging):
        await store_voltammogram(store, "run-1", SWV, pulse_columns())
        await store_voltammogram(store, "run-2", SWV, pulse_columns(8))
    assert await store.unevaluated() == ["run-1", "run-2"]
    async with evaluating(store):
        await settled(store)
    assert sorted(each.subject for each in await store.evaluations()) == ["run/run-1", "run/run-2"]


async def test_what_was_got_through_before_the_end_is_not_done_twice(store: Store) -> None:
    await store_voltammogram(store, "run-1", SWV, pulse_columns())
    reply = await asked(Evaluator(store, Here(store.path), "luggin 9.9"), "run-1")
    assert reply.accepted
    async with evaluating(store, Calculator(store.path, command=("/nowhere",))):
        await settled(store)
    assert len(await store.evaluations()) == 1


IMPOSSIBLE: list[tuple[list[str], str, dict[str, Any], str]] = [
    (["run-9"], "peaks", {}, "no run run-9 is stored"),
    (["run-1", "run-1"], "peaks", {}, "peaks is computed from 1 run, not from 2"),
    (["run-2"], "peaks", {}, "run run-2 has not ended; evaluate it then"),
    (["run-1"], "auguries", {}, "kind = 'auguries': there is no such kind of evaluation; known are "),
    (["run-1"], "peaks", {"search": ["1 A", 2]}, "search[0] = '1 A': '1 A' is in A, but a quantity in V is needed"),
    (["run-1"], "peaks", {"edits": [{"action": "remove", "potential": 0.7}]}, "there is no peak at 0.7 V"),
    (["run-1"], "peaks", {"edits": [{"action": "remove"}]}, "edits[0]: potential is missing"),
    (
        ["run-1"],
        "peaks",
        {"edits": [{"action": "set", "anchors": [5, 6]}]},
        "the curve has no points between 5 and 6 V",
    ),
    (["run-1"], "peaks", {"edits": [{"action": "remove", "potential": 0.35, "sweep": 2}]}, "sweep 2 doesn't exist"),
]


async def test_what_can_not_be_done_is_a_sentence(store: Store) -> None:
    await store_voltammogram(store, "run-1", SWV, pulse_columns())
    await store_voltammogram(store, "run-2", SWV, pulse_columns(), finish=False)
    evaluator = Evaluator(store, Here(store.path), "luggin 9.9")
    for runs, kind, settings, sentence in IMPOSSIBLE:
        reply = await asked(evaluator, *runs, kind=kind, **settings)
        assert not reply.accepted
        assert sentence in reply.sentence
    assert await store.evaluations() == []
