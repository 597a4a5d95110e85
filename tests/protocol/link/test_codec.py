"""Messages to bytes and back, and what happens to bytes that are none."""

import contextlib
import math
from dataclasses import fields
from typing import Any

import cbor2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.capability import Identity
from luggin.protocol.instrument import Activity, Cell, Outcome, Reading, Receipt, Status
from luggin.protocol.link import cbor, codec, message
from luggin.protocol.link.columns import COLUMN_NUMBERS, MOST_POINTS, Even
from luggin.protocol.link.frame import LARGEST_MESSAGE, room
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.numbers import Code
from luggin.protocol.link.records import LONGEST_SENTENCE, sentence
from luggin.protocol.points import COLUMNS, Batch, batch

identifiers = st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True)
sentences = st.text(st.characters(categories=["L", "N", "P", "Zs"]), max_size=40).filter(str.isprintable)
reals = st.floats(allow_nan=False, allow_infinity=False)
seconds = st.floats(0, 1e9)
counts = st.integers(0, 2**53 - 1)
sequences = st.integers(1, 2**32 - 1)
frames = st.integers(128, 512)
versions = st.integers(1, 255)
checksums = st.integers(0, 2**32 - 1)
sizes = st.integers(0, 2**24)
pieces = st.binary(min_size=1, max_size=message.LARGEST_CHUNK)
cells = st.sampled_from(Cell)
measured = st.none() | reals
texts = st.text(st.characters(categories=["L", "N"]), max_size=16)
identities = st.builds(Identity, maker=texts, model=texts, serial=texts, firmware=texts)
stati = st.builds(
    Status, st.sampled_from(Activity), cells, identifiers, seconds, st.none() | identifiers,
    st.none() | st.sampled_from(Outcome), sentences, counts, counts, counts, seconds, st.integers(0, 255),
    st.integers(0, 2**32 - 1), seconds,
)  # fmt: skip
readings = st.builds(Reading, cells, seconds, *[measured] * 7)

MESSAGES: st.SearchStrategy[message.Message] = st.one_of(
    st.builds(message.Hello, checksums, versions, versions, frames),
    st.builds(
        message.Welcome, checksums, versions, versions, frames, identifiers, seconds, identities, sizes, checksums
    ),
    st.builds(message.AskCapability, sequences, sizes),
    st.sampled_from([message.AskStatus, message.AskReading, message.Hold, message.Stop, message.CellOff, message.Done])
    .flatmap(lambda kind: st.builds(kind, sequences)),
    st.builds(message.Upload, sequences, sizes, pieces),
    st.builds(message.Arm, sequences, identifiers, sizes, st.binary(min_size=32, max_size=32)),
    st.builds(message.Start, sequences, identifiers, seconds),
    st.builds(message.Unhold, sequences, seconds),
    st.builds(message.KeepAlive, sequences, seconds),
    st.builds(message.Acknowledge, sequences, identifiers, counts),
    st.builds(message.Replay, sequences, identifiers, counts),
    st.builds(message.Refusal, sequences, st.sampled_from(Code), sentences),
    st.builds(message.Chunk, sequences, sizes, pieces),
    st.builds(message.Report, st.integers(0, 2**32 - 1), counts, stati),
    st.builds(message.ReadingReport, sequences, readings),
    st.builds(message.OffReceipt, sequences, st.builds(Receipt, cells, sentences)),
    st.builds(message.ReplayFrom, sequences, counts),
)  # fmt: skip


@st.composite
def batches(draw: st.DrawFn) -> tuple[Batch, Even | None]:
    """Batches of any columns, constant or not, with times that are even or not."""
    count = draw(st.integers(1, 200))
    names = draw(st.sets(st.sampled_from(sorted(COLUMN_NUMBERS)), max_size=8))
    even = draw(st.none() | st.builds(Even, st.floats(0, 1e6), st.floats(1e-6, 1e3), st.integers(0, 10**9)))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    columns: dict[str, Any] = {"time": even.times(count) if even else np.cumsum(random.random(count))}
    for name in names:
        dtype = np.dtype(COLUMNS[name].dtype)
        if draw(st.booleans()):
            columns[name] = np.full(count, random.integers(0, 200)).astype(dtype)
        elif dtype.kind == "f":
            columns[name] = random.normal(size=count).astype(dtype)
            columns[name][random.random(count) < 0.1] = np.nan
        else:
            columns[name] = random.integers(0, np.iinfo(dtype).max, count, endpoint=True).astype(dtype)
    first = draw(st.integers(0, 2**50))
    return batch(draw(identifiers), draw(identifiers), first, columns), even


def assert_same(left: Batch, right: Batch) -> None:
    assert (left.run, left.boot, left.first, left.count) == (right.run, right.boot, right.first, right.count)
    assert left.columns.keys() == right.columns.keys()
    for name, column in left.columns.items():
        other = right.columns[name]
        assert column.dtype == other.dtype == np.dtype(COLUMNS[name].dtype)
        assert np.array_equal(column, other, equal_nan=column.dtype.kind == "f"), name


@given(MESSAGES)
def test_messages_come_back_as_they_were(sent: message.Message) -> None:
    encoded = codec.encode(sent)
    assert len(encoded) <= LARGEST_MESSAGE
    assert codec.decode(encoded) == sent


@given(batches(), st.sampled_from([LARGEST_MESSAGE, room(256)]))
def test_points_come_back_to_the_last_bit(made: tuple[Batch, Even | None], largest: int) -> None:
    whole, even = made
    rest: Batch | None = whole
    while rest is not None:
        sent = codec.points_that_fit(rest, even, largest)
        encoded = codec.encode(sent)
        assert len(encoded) <= largest
        received = codec.decode(encoded)
        assert isinstance(received, message.Points)
        assert received.even == even
        assert_same(received.batch, sent.batch)
        rest = whole.cut(sent.batch.after, whole.after)
        even = even.later(sent.batch.count) if even else None


def test_messages_are_filled() -> None:
    """A full batch leaves less than one more point's room, so that the line is used."""
    count = 200
    columns = {name: np.linspace(0, 1, count) for name in ("time", "potential", "current")}
    sent = codec.points_that_fit(batch("column-3", "b", 0, columns))
    assert len(codec.encode(sent)) > LARGEST_MESSAGE - 2 * (8 + 4 + 4)


def test_points_that_never_vary_are_still_bounded() -> None:
    columns = {"time": Even(0.0, 1.0, 0).times(MOST_POINTS), "flags": np.zeros(MOST_POINTS)}
    sent = codec.points_that_fit(batch("a", "b", 0, columns), Even(0.0, 1.0, 0))
    assert sent.batch.count == MOST_POINTS
    claimed = [23, "a", "b", 0, 2**40, [0.0, 1.0, 0], {21: 0}]
    with pytest.raises(MessageError, match="whole number from 1 to 512"):
        codec.decode(cbor2.dumps(claimed))


def test_times_that_are_not_even_are_not_sent_as_such() -> None:
    columns = {"time": np.array([0.1, 0.2, 0.3])}
    with pytest.raises(ValueError, match="these times are not"):
        codec.encode(message.Points(batch("a", "b", 0, columns), Even(0.1, 0.1, 0)))


@given(st.integers(0, 10**6), st.integers(1, 500), st.floats(1e-5, 10.0), st.floats(0, 1e5))
def test_even_times_do_not_depend_on_the_cut(number: int, cut: int, step: float, base: float) -> None:
    whole = Even(base, step, number)
    assert np.array_equal(whole.times(512)[cut:], whole.later(cut).times(512 - cut))


@settings(max_examples=400)
@given(st.binary(max_size=LARGEST_MESSAGE + 10))
def test_arbitrary_bytes_raise_one_error_only(data: bytes) -> None:
    with contextlib.suppress(MessageError):
        codec.decode(data)


anything = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**64), 2**64 - 1) | st.floats() | st.text(max_size=8)
    | st.binary(max_size=32) | st.builds(cbor2.CBORTag, st.integers(64, 87), st.binary(max_size=32)),
    lambda inner: st.lists(inner, max_size=8)
    | st.dictionaries(st.integers(0, 30) | st.text(max_size=3), inner, max_size=4),
    max_leaves=20,
)  # fmt: skip


@settings(max_examples=150)
@given(st.integers(0, 30), st.lists(anything, max_size=8))
def test_arbitrary_data_raise_one_error_only(kind: int, data: list[Any]) -> None:
    """What is accepted encodes again; what is not raises MessageError."""
    try:
        found = codec.decode(cbor2.dumps([kind, *data]))
    except MessageError:
        return
    codec.encode(found)


@given(MESSAGES, st.data())
def test_almost_messages_raise_one_error_only(sent: message.Message, data: st.DataObject) -> None:
    """A field of another kind, one too few, one too many."""
    fields = cbor2.loads(codec.encode(sent))
    fields[data.draw(st.integers(0, len(fields) - 1))] = data.draw(anything)
    for each in (fields, fields[:-1], [*fields, data.draw(anything)]):
        with contextlib.suppress(MessageError):
            codec.decode(cbor2.dumps(each))


@given(batches(), st.data())
def test_almost_points_raise_one_error_only(made: tuple[Batch, Even | None], data: st.DataObject) -> None:
    item = cbor2.loads(codec.encode(codec.points_that_fit(*made)))
    place = data.draw(st.integers(1, 6))
    if place == 6 and item[6]:
        item[6][data.draw(st.sampled_from(sorted(item[6])))] = data.draw(anything)
    else:
        item[place] = data.draw(anything)
    try:
        found = codec.decode(cbor2.dumps(item))
    except MessageError:
        return
    assert isinstance(found, message.Points)
    assert np.isfinite(found.batch.columns["time"]).all() or found.even is None


@pytest.mark.parametrize(
    ("item", "reason"),
    [
        ([4, True], "sequence: expected a whole number"),
        ([4, 1.0], "sequence: expected a whole number"),
        ([4, 0], "sequence: expected a whole number from 1"),
        ([8, 1, "run-1", 5], "clock: expected a finite floating-point number"),
        ([8, 1, "run-1", math.nan], "clock: expected a finite floating-point number"),
        ([8, 1, "run-1", -1.0], "clock: expected a finite floating-point number from 0.0"),
        ([8, 1, "Run 1", 5.0], "run: expected 1 to 64 small letters, digits and hyphens"),
        ([8, 1, "run-1\n", 5.0], "run: expected 1 to 64 small letters, digits and hyphens"),
        ([17, 1, 3, "\x1b[2J"], "sentence: expected printable text"),
        ([17, 1, 99, "no"], "code: expected one of the numbers"),
        ([17, 1, [], "no"], "code: expected one of the numbers"),
        ([99, 1], "there is no message of type 99"),
        ([[4], 1], "begins with its type number"),
        ([], "begins with its type number"),
        ({4: 1}, "begins with its type number"),
        ([6, 1, 0, b""], "data: expected 1 to 480 bytes"),
        ([23, "a", "b", 0, 1, [0.0, 1e308, 2**50], {}], "beyond the range of double precision"),
        ([23, "a", "b", 0, 1, [0.0, 1, 0], {}], "time: expected base and step"),
        ([23, "a", "b", 0, 1, [0.0, 1.0, 0], {5: 1e300}], "potential: 1e.300 is beyond the range"),
        ([23, "a", "b", 0, 1, [0.0, 1.0, 0], {5: 1}], "potential: expected a typed array or a floating-point number"),
        ([23, "a", "b", 0, 1, [0.0, 1.0, 0], {1: 256}], "phase: expected a typed array or a whole number"),
        ([23, "a", "b", 0, 1, [0.0, 1.0, 0], {77: 0}], "77 is not the number of a column"),
        ([23, "a", "b", 0, 2, [0.0, 1.0, 0], {5: cbor2.CBORTag(85, bytes(4))}], "tag 85 and 2 elements"),
        ([23, "a", "b", 0, 1, [0.0, 1.0, 0], {5: cbor2.CBORTag(81, bytes(4))}], "tag 85 and 1 elements"),
    ],
)
def test_malformed_messages_are_told_why(item: Any, reason: str) -> None:
    with pytest.raises(MessageError, match=reason):
        codec.decode(cbor2.dumps(item))


def test_the_sequence_of_a_malformed_request_is_known() -> None:
    with pytest.raises(MessageError) as caught:
        codec.decode(cbor2.dumps([8, 77, "Run", 1.0]))
    assert caught.value.sequence == 77


@pytest.mark.parametrize(
    "data",
    [
        "c4 82 20 0a",  # tag 4, a decimal fraction
        "c5 82 1b ff ff ff ff ff ff ff ff 01",  # tag 5, a big float that would fill the memory
        "d8 1c 80",  # tag 28, a shared value
        "d8 23 61 28",  # tag 35, a regular expression
        "9f ff",  # an array of indefinite length
        "5f 41 00 ff",  # bytes of indefinite length
        "f7",  # undefined
        "f8 20",  # a simple value
        "ff",
        "1c",
        "81" * 20 + "00",  # nested
        "9b ff ff ff ff ff ff ff ff",  # an array that claims 2^64 - 1 items
        "5b ff ff ff ff ff ff ff ff 00",  # bytes that claim as many
        "61 ff",  # text that is not UTF-8
        "00 00",  # two items
        "",
    ],
)
def test_cbor_beyond_what_the_link_uses(data: str) -> None:
    with pytest.raises(MessageError):
        cbor.load(bytes.fromhex(data))


@pytest.mark.parametrize(
    ("value", "data"),
    [
        (0, "00"),
        (23, "17"),
        (24, "18 18"),
        (1000, "19 03 e8"),
        (1000000000000, "1b 00 00 00 e8 d4 a5 10 00"),
        (1.1, "fb 3f f1 99 99 99 99 99 9a"),
        (False, "f4"),
        (None, "f6"),
        (bytes.fromhex("01020304"), "44 01 02 03 04"),
        ("IETF", "64 49 45 54 46"),
        ("ü", "62 c3 bc"),
        ([1, [2, 3], [4, 5]], "83 01 82 02 03 82 04 05"),
        ({"a": 1, "b": [2, 3]}, "a2 61 61 01 61 62 82 02 03"),
    ],
)
def test_cbor_is_that_of_the_standard(value: Any, data: str) -> None:
    """Examples of RFC 8949, appendix A (m)."""
    assert cbor.dump(value) == bytes.fromhex(data)
    assert cbor.load(bytes.fromhex(data)) == value


def test_single_and_half_precision_are_read() -> None:
    """RFC 8949, appendix A (m): 100000.0 as single, 1.5 as half precision."""
    assert cbor.load(bytes.fromhex("fa 47 c3 50 00")) == 100000.0
    assert cbor.load(bytes.fromhex("f9 3e 00")) == 1.5


def test_typed_arrays_are_those_of_the_standard() -> None:
    """RFC 8746, section 2.1 (m): the tag is 0b010_f_s_e_ll, with ll = 1 and e = 1 for little-endian singles: 85."""
    encoded = codec.encode(message.Points(batch("a", "b", 0, {"time": [0.0, 1.0], "current": [1.0, -2.0]})))
    assert bytes.fromhex("d8 55 48 00 00 80 3f 00 00 00 c0") in encoded
    assert bytes.fromhex("d8 56 50 00 00 00 00 00 00 00 00 00 00 00 00 00 00 f0 3f") in encoded


@given(st.text(max_size=300))
def test_sentences_fit(words: str) -> None:
    fitted = sentence(words)
    assert len(fitted.encode()) <= LONGEST_SENTENCE
    codec.encode(message.Refusal(1, Code.FAULT, fitted))


def test_fields_that_do_not_fit_are_not_encoded() -> None:
    with pytest.raises(MessageError, match="sentence"):
        codec.encode(message.Refusal(1, Code.FAULT, "x" * 200))
    with pytest.raises(MessageError, match="sequence"):
        codec.encode(message.AskStatus(0))


def test_type_numbers_are_fixed() -> None:
    """Firmware in the field knows these."""
    assert [each.TYPE for each in message.MESSAGES] == list(range(1, 24))
    assert all(not fields(each)[0].name.startswith("TYPE") for each in message.MESSAGES)
