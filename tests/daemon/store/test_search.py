"""Runs are found by what their methods say."""

import asyncio
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.store import Store, Wanted, open_store, schema
from luggin.daemon.store.ledger import Ledger
from support.evaluated import unpack_old_store
from support.stored_runs import header, result


def run(called: str, instrument: str = "bench-1", utc: float = 1_790_000_000.0, **told: Any) -> Any:
    made = header(called, instrument)
    setup = {**made.method["setup"], **told.pop("setup", {})}
    return made.model_copy(update={"utc": utc, "method": {**made.method, **told, "setup": setup}})


RUNS = (
    run("a", setup={"sample": "Ablauf Säule", "electrode": "GC-3", "tags": ["week 1", "s1/1"]}),
    run(
        "b", "bench-2", 1_790_000_100.0, technique="cyclic-voltammetry", name="probe", notes='a "rough" film\n50 % off'
    ),
    run("c", utc=1_790_000_200.0, setup={"sample": "Ablauf Säule", "cell": "10 µL of it", "tags": ["s1/2", "s10/1"]}),
    run("d", utc=1_790_000_300.0, setup={"tags": ["s10/2"]}),
)


def fill(path: Path) -> None:
    async def main() -> None:
        async with Store.open(path, interval=0.01) as store:
            for each in RUNS:
                await store.begin_run(each)
                await store.finish_run(result(each.run, 0))

    asyncio.run(main())


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("search") / "runs.sqlite"
    fill(made)
    return made


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({}, "dcba"),
        ({"instrument": "BENCH-2"}, "b"),
        ({"technique": "cyclic-voltammetry"}, "b"),
        ({"method": "probe"}, "b"),
        ({"sample": "ablauf säule"}, "ca"),
        ({"sample": "ablauf"}, ""),
        ({"electrode": "gc-3"}, "a"),
        ({"tag": "Week 1"}, "a"),
        ({"sequence": "s1"}, "ca"),
        ({"sequence": "s10"}, "dc"),
        ({"text": "ABLAUF"}, "ca"),
        ({"text": 'a "rough" film\n50'}, "b"),
        ({"text": "10 µl"}, "c"),
        ({"text": "%"}, "b"),
        ({"text": "reference"}, ""),
        ({"since": 1_790_000_100.0, "until": 1_790_000_300.0}, "cb"),
        ({"sequence": "s1", "since": 1_790_000_100.0}, "c"),
        ({"text": "'; DROP TABLE runs; --"}, ""),
    ],
)
def test_conditions(wanted: dict[str, Any], found: str, path: Path) -> None:
    with open_store(path) as archive:
        assert "".join(each.run for each in archive.runs(wanted=Wanted(**wanted))) == found


def test_pages(path: Path) -> None:
    with open_store(path) as archive:
        asked = Wanted(text="invented")
        (first,) = archive.runs(1, wanted=asked)
        assert (first.run, first.sample, first.electrode) == ("d", "column outlet, invented", "glassy carbon")
        assert [each.run for each in archive.runs(5, "d", wanted=asked)] == ["b"]


def test_runs_of_an_old_store_are_found(tmp_path: Path) -> None:
    unpack_old_store(tmp_path / "old.sqlite")
    with open_store(tmp_path / "old.sqlite") as archive:
        assert [each.run for each in archive.runs(wanted=Wanted(technique="square-wave-voltammetry"))]
        assert archive.runs(wanted=Wanted(text="no such words")) == []


def test_many_runs_are_looked_through_in_one_read(tmp_path: Path) -> None:
    """Ten thousand take some tenths of a second; here it is that nothing but the headers is read for it."""
    with closing(schema.connect(tmp_path / "runs.sqlite")) as connection:
        ledger = Ledger(connection, lambda: 0.0)
        connection.execute("BEGIN")
        for number in range(300):
            ledger.begin(run(f"run-{number}", setup={"sample": f"sample {number % 100}"}))
        connection.execute("COMMIT")
    with open_store(tmp_path / "runs.sqlite") as archive:
        asked: list[str] = []
        archive.connection.set_trace_callback(asked.append)
        found = archive.runs(10, wanted=Wanted(sample="sample 7"))
        assert [each.run for each in found] == ["run-207", "run-107", "run-7"]
        assert len(asked) <= 1 + 2 * len(found)
