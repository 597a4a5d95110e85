"""What a method requires, against what stands in a real store."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.fitness import Fitness, fitness
from luggin.daemon.store import Store
from luggin.protocol import method
from luggin.protocol.problem import DocumentError
from support.evaluated import evaluation
from support.voltammograms import method_of

NOW = 1_790_000_000.0
DAY = 86400.0


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "runs.sqlite", interval=0.005) as opened:
        yield opened


async def keep(store: Store, name: str, subject: str, passed: bool = True, **more: Any) -> None:
    fields: dict[str, Any] = {"kind": "qualification", "utc": NOW - DAY, "expires": NOW + 29 * DAY, **more}
    body = {"passed": passed, "items": [{"name": "resistance.10uA", "passed": passed}], "faults": []}
    await store.add_evaluation(evaluation(name, (), subject=subject, body=body, warnings=(), **fields))


async def fit(store: Store, *, started: bool = True, **more: Any) -> Fitness:
    return await fitness(store, "left", method.parse(method_of("cyclic-voltammetry", **more)), NOW, pre_flight=started)


INSTRUMENT: dict[str, Any] = {"requires": {"instrument_qualification": "refuse"}}
ELECTRODE: dict[str, Any] = {"requires": {"electrode_qualification": "flag"}}


async def test_a_method_that_requires_nothing_is_fit(store: Store) -> None:
    assert await fit(store) == Fitness()


async def test_a_qualification_that_stands_is_relied_upon(store: Store) -> None:
    await keep(store, "first", "instrument/left")
    found = await fit(store, **INSTRUMENT)
    assert (found.problems, found.doubts) == ((), ())
    assert [each.name for each in found.relied] == ["first"]


@pytest.mark.parametrize(
    ("kept", "words"),
    [
        ([], "instrument/left has no qualification; `luggin qualify left --cell DUMMY` makes one"),
        ([{"subject": "instrument/right"}], "instrument/left has no qualification"),
        ([{"expires": NOW - 1}], "has expired"),
        ([{"passed": False}], "has not passed: resistance.10uA"),
        ([{}, {"passed": False}], "has not passed"),  # the newest decides
        ([{"utc": NOW + DAY}], "lies ahead of this computer's clock"),
    ],
)
async def test_without_one_that_stands_a_run_is_refused_and_told_why(
    store: Store, kept: list[dict[str, Any]], words: str
) -> None:
    for number, each in enumerate(kept):
        await keep(store, f"made-{number}", **{"subject": "instrument/left", **each})
    found = await fit(store, **INSTRUMENT)
    (problem,) = found.problems
    assert problem.field == "requires.instrument_qualification"
    assert words in str(problem)
    assert found.doubts == ()


async def test_or_it_is_flagged_as_the_method_says(store: Store) -> None:
    found = await fit(store, **ELECTRODE)
    assert found.problems == ()
    assert found.doubts == ("Electrode/gc-3 has no qualification.",)
    await keep(store, "good", "electrode/gc-3")
    assert (await fit(store, **ELECTRODE)).doubts == ()


async def test_the_look_before_a_run_is_asked_for_when_it_starts_and_not_when_it_is_checked(store: Store) -> None:
    assert await fit(store, started=False, pre_flight={}) == Fitness()
    found = await fit(store, pre_flight={})
    assert [each.field for each in found.problems] == ["pre_flight"]


def test_an_electrode_without_a_name_can_not_be_required_to_be_qualified() -> None:
    document = method_of("cyclic-voltammetry")
    setup = {name: value for name, value in document["setup"].items() if name != "electrode"}
    with pytest.raises(DocumentError, match=r"setup\.electrode"):
        method.parse({**document, "setup": setup, **ELECTRODE})
    with pytest.raises(DocumentError, match="smallest_resistance"):
        method.parse({**document, "pre_flight": {"smallest_resistance": "1 kohm", "largest_resistance": "1 ohm"}})
