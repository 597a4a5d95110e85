import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from luggin.daemon.export import table
from luggin.protocol.points import COLUMNS, Array


def written(columns: dict[str, Array]) -> str:
    file = io.StringIO(newline="")
    table.write(file, list(columns), columns)
    return file.getvalue()


def same(left: Array, right: Array) -> bool:
    """Equal to the last bit, but that one NaN is as good as another."""
    if left.dtype.kind != "f":
        return left.dtype == right.dtype and np.array_equal(left, right)
    zeros = np.array_equal(np.signbit(left[left == 0]), np.signbit(right[right == 0]))
    return left.dtype == right.dtype and np.array_equal(left, right, equal_nan=True) and zeros


@given(st.data(), st.integers(0, 40), st.sampled_from(sorted(COLUMNS)))
def test_every_number_comes_back(data: st.DataObject, count: int, name: str) -> None:
    values = data.draw(hnp.arrays(COLUMNS[name].dtype, count))
    columns = {"index": np.arange(count, dtype="<i8"), name: values}
    back = table.read(io.StringIO(written(columns), newline=""), {each: columns[each].dtype.str for each in columns})
    assert all(same(columns[each], back[each]) for each in columns)


def test_every_magnitude_of_single_precision_comes_back() -> None:
    """All exponents with random digits, as another program reads them (pandas), in double precision and rounded."""
    chance = np.random.default_rng(3)
    bits = (np.arange(0, 255, dtype="<u4") << 23)[:, None] | chance.integers(0, 1 << 23, (255, 40), dtype="<u4")
    values = bits.astype("<u4").view("<f4").ravel()
    frame = pd.read_csv(io.StringIO(written({"current / A": values})))
    assert np.array_equal(frame["current / A"].to_numpy().astype("<f4"), values)


def test_numbers_are_as_short_as_they_can_be() -> None:
    columns: dict[str, Array] = {
        "index": np.arange(4),
        "current": np.array([0.1, 1e-6, -0.0, 1 / 3], "<f4"),
        "charge": np.array([0.1, np.nan, np.inf, -np.inf], "<f8"),
    }
    assert written(columns).split("\r\n") == [
        "index,current,charge",
        "0,0.1,0.1",
        "1,1e-06,",
        "2,-0.0,INF",
        "3,0.33333334,-INF",
        "",
    ]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("index,charge\r\n0,1.0\r\n", "its heading is"),
        ("index,current\r\n0\r\n", "row 2 has 1 cells instead of 2"),
        ("index,current\r\n0,high\r\n", "could not convert string to float: 'high'"),
        ("index,current\r\n0.5,1\r\n", "invalid literal for int"),
        ("index,current\r\n9999999999999999999,1\r\n", "too large"),
        ("", "its heading is"),
    ],
)
def test_what_is_no_table_of_points_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        table.read(io.StringIO(text, newline=""), {"index": "<i8", "current": "<f4"})


def test_headings_are_quantity_per_unit() -> None:
    # ISO 80000-1 and the IUPAC Green Book (3rd ed., 1.1): a column of numbers is headed quantity / unit (m).
    assert table.heading("current", "A") == "current / A"
    assert table.heading("cycle", "1") == "cycle"
