"""Limits over the batches of a run as they come: in order, replayed, late."""

import numpy as np

from luggin.daemon.execution import Execution
from luggin.protocol.points import Batch, batch
from support.method_header import header


def points(first: int, count: int, potential: float = 0.0) -> Batch:
    index = np.arange(first, first + count)
    return batch("run-1", "boot-1", first, {"time": (index + 1) * 0.1, "potential": np.full(count, potential)})


def test_an_excursion_lasts_over_batches() -> None:
    execution = Execution(header("run-1"))
    assert execution.judge(points(0, 1, 0.8)) is None
    found = execution.judge(points(1, 2, 0.8))
    assert found is not None
    assert found.index in (1, 2)


def test_replayed_points_are_not_judged_twice() -> None:
    execution = Execution(header("run-1"))
    assert execution.judge(points(0, 10)) is None
    assert execution.judge(points(0, 10, 3.0), received=10) is None


def test_a_batch_that_overlaps_is_judged_for_what_is_new() -> None:
    execution = Execution(header("run-1"))
    execution.judge(points(0, 10))
    found = execution.judge(points(5, 10, 3.0), received=10)
    assert found is not None
    assert found.index == 10


def test_points_that_fill_a_hole_late_are_judged() -> None:
    execution = Execution(header("run-1"))
    execution.judge(points(0, 5))
    assert execution.judge(points(8, 2), received=5) is None
    found = execution.judge(points(5, 3, 3.0), received=5)
    assert found is not None
    assert found.index == 5
