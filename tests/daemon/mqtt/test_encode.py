"""Points as messages: the same document as the payload model, below the broker's limit, nothing lost."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.mqtt.encode import MOST_POINTS, points_message, points_messages
from luggin.protocol.payloads import Points
from luggin.protocol.points import COLUMNS, Batch, batch


def example(count: int, first: int = 0, names: tuple[str, ...] = ("time", "potential", "current", "flags")) -> Batch:
    rng = np.random.default_rng(7)
    values = {name: rng.uniform(0, 1, count) * (100 if COLUMNS[name].dtype[1] == "u" else 1) for name in names}
    return batch("run-1", "boot-1", first, values)


def test_is_the_payload_model() -> None:
    one = batch("run-1", "boot-1", 7, {"time": [0.5, 1.0], "current": [1e-6, np.nan], "cycle": [1, 2]})
    model = Points(
        run="run-1",
        boot="boot-1",
        first=7,
        count=2,
        live=True,
        columns={"time": [0.5, 1.0], "current": [1e-6, None], "cycle": [1, 2]},
    )
    message = points_message(one, live=True)
    assert Points.model_validate_json(message) == model
    assert json.loads(message) == model.model_dump(mode="json")


def test_every_column_there_is() -> None:
    one = example(3, names=tuple(COLUMNS))
    found = Points.model_validate_json(points_message(one, live=False))
    for name, column in one.columns.items():
        assert np.array_equal(np.array(found.columns[name], dtype=column.dtype), column)


@given(
    count=st.integers(1, 2500),
    first=st.integers(0, 10**9),
    largest=st.integers(600, 200_000),
)
def test_pieces_fit_and_cover_the_batch_in_order(count: int, first: int, largest: int) -> None:
    whole = example(count, first, tuple(COLUMNS)[:6])
    after = first
    for piece, message in points_messages(whole, live=True, largest=largest):
        found = Points.model_validate_json(message)
        assert (found.first, found.count) == (piece.first, piece.count)
        assert piece.first == after
        assert piece.count <= MOST_POINTS
        assert len(message) <= largest
        after = piece.after
    assert after == whole.after


@pytest.mark.parametrize("largest", [1, 100])
def test_a_single_point_goes_out_whatever_the_limit(largest: int) -> None:
    pieces = [piece.count for piece, _ in points_messages(example(3), live=True, largest=largest)]
    assert pieces == [1, 1, 1]
