import struct
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from luggin.daemon.store import codec
from luggin.daemon.store.errors import StoreFault
from luggin.protocol.points import COLUMNS, Array
from support.stored_runs import sweep


@settings(max_examples=50)
@given(st.data(), st.integers(1, 300), st.sets(st.sampled_from(sorted(COLUMNS)), min_size=1))
def test_every_bit_comes_back(data: st.DataObject, count: int, names: set[str]) -> None:
    columns = {name: data.draw(hnp.arrays(COLUMNS[name].dtype, count, fill=st.just(0))) for name in names}
    packed_data, packed = codec.encode(columns)
    back = codec.decode(codec.layout_of(columns), count, packed, packed_data, codec.checksum(packed_data))
    assert list(back) == list(columns)
    for name, values in columns.items():
        assert back[name].dtype == values.dtype
        assert back[name].tobytes() == values.tobytes()


def test_foreign_types_and_byte_orders_are_kept() -> None:
    columns: dict[str, Array] = {"time": np.array([1.5, -0.0], ">f8"), "cycle": np.array([-1, 7], "<i2")}
    assert codec.layout_of(columns) == "time:>f8 cycle:<i2"
    data, packed = codec.encode(columns)
    back = codec.decode("time:>f8 cycle:<i2", 2, packed, data, codec.checksum(data))
    assert back["time"].dtype == np.dtype(">f8")
    assert np.signbit(back["time"][1])


def test_a_view_with_strides_is_stored_by_its_values() -> None:
    values = np.arange(10, dtype="<f8")[::2]
    data, packed = codec.encode({"time": values})
    assert not packed
    assert struct.unpack("<5d", data) == (0, 2, 4, 6, 8)


def test_the_form_is_as_described() -> None:
    """Read by the description alone, without the program: columns one after the other, zlib when packed."""
    batch = sweep("run-1", 0, 200)
    data, packed = codec.encode(batch.columns)
    assert packed
    raw = zlib.decompress(data)
    offset = 0
    for part in codec.layout_of(batch.columns).split(" "):
        name, form = part.split(":")
        code = {"f8": "d", "f4": "f", "u4": "I", "u2": "H", "u1": "B"}[form[1:]]
        values = struct.unpack_from(f"<200{code}", raw, offset)
        offset += struct.calcsize(f"<200{code}")
        assert list(values) == batch.columns[name].tolist()
    assert offset == len(raw)


def test_damage_is_noticed() -> None:
    data, packed = codec.encode(sweep("run-1", 0, 200).columns)
    damaged = data[:-1] + bytes([data[-1] ^ 1])
    with pytest.raises(StoreFault, match="damaged"):
        codec.decode("time:<f8", 200, packed, damaged, codec.checksum(data))


def test_only_numbers_are_stored() -> None:
    with pytest.raises(ValueError, match="column time is of type object; only real numbers"):
        codec.layout_of({"time": np.array([None])})
