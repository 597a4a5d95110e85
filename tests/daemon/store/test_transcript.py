"""A copy of a run in another store is the same run to the last hash."""

from pathlib import Path

import numpy as np

from luggin.daemon.store import Store, chain, open_store, verify
from luggin.daemon.store.transcript import transcribe
from luggin.protocol.payloads import Evaluation
from support.stored_runs import SWEEP, header, result, sweep


async def test_holes_late_points_evaluations_and_columns_that_come_and_go(tmp_path: Path) -> None:
    evaluation = Evaluation(
        name="first",
        kind="peaks",
        subject="run/run-1",
        runs=("run-1",),
        settings={},
        body={"peaks": [{"potential": 0.25}]},
        software="luggin",
        asked_by="anna",
        verified=False,
        utc=1.0,
    )
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store.begin_run(header("run-1"))
        store.put(sweep("run-1", 0, 300))
        await store.put(sweep("run-1", 500, 200, columns=[*SWEEP[:5], "flags"]))
        await store.put(sweep("run-1", 350, 50, boot="boot-2"))
        await store.event("run-1", None, "remark", "the µ-cell was shaken", {"number": 1e-7, "nothing": float("nan")})
        await store.finish_run(result("run-1", 550, [(300, 350), (400, 500)]))
        await store.add_evaluation(evaluation)
    with open_store(tmp_path / "store.sqlite") as original:
        texts, points = original.texts("run-1"), original.points("run-1")
        assert verify(original, "run-1") == []
        transcribe(tmp_path / "copy.sqlite", texts, points, [chain.canonical(evaluation.model_dump(mode="json"))])
        with open_store(tmp_path / "copy.sqlite") as copy:
            assert copy.texts("run-1") == texts
            assert verify(copy, "run-1") == []
            assert copy.gaps("run-1") == original.gaps("run-1")
            assert copy.boots("run-1") == original.boots("run-1")
            assert copy.result("run-1") == original.result("run-1")
            for name, values in original.columns("run-1").items():
                assert np.array_equal(copy.columns("run-1")[name], values, equal_nan=True)


async def test_what_was_altered_on_the_way_is_found(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 300))
        await store.finish_run(result("run-1", 300))
    with open_store(tmp_path / "store.sqlite") as original:
        texts = original.texts("run-1")
    transcribe(tmp_path / "other-points.sqlite", texts, [sweep("run-1", 1, 300)], [])
    with open_store(tmp_path / "other-points.sqlite") as copy:
        assert any("altered" in sentence for sentence in verify(copy, "run-1"))
    assert chain.start(texts.header) == texts.header_hash
