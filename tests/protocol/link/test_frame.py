"""Frames: any cutting, any garbage, bounded memory; the codes against their published examples."""

import zlib

import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from luggin.protocol.link.frame import LARGEST_FRAME, LARGEST_MESSAGE, Decoder, encode, open_frame, room

messages = st.binary(min_size=1, max_size=LARGEST_MESSAGE)


def in_pieces(stream: bytes, sizes: list[int]) -> list[bytes]:
    pieces, start, turn = [], 0, 0
    while start < len(stream):
        size = sizes[turn % len(sizes)]
        pieces.append(stream[start : start + size])
        start, turn = start + size, turn + 1
    return pieces


cuts = st.lists(st.integers(1, 700), min_size=1, max_size=20)


@given(st.lists(messages, max_size=6), cuts)
def test_messages_survive_any_cutting(sent: list[bytes], sizes: list[int]) -> None:
    decoder = Decoder()
    stream = b"".join(map(encode, sent))
    received = [each for piece in in_pieces(stream, sizes) for each in decoder.feed(piece)]
    assert received == sent
    assert (decoder.good, decoder.damaged, decoder.skipped) == (len(sent), 0, 0)


@given(messages)
@example(b"\x01" * LARGEST_MESSAGE)
@example(b"\x00" * LARGEST_MESSAGE)
def test_a_frame_has_one_zero_and_at_most_512_bytes(sent: bytes) -> None:
    frame = encode(sent)
    assert frame.index(0) == len(frame) - 1
    assert len(frame) <= LARGEST_FRAME


@given(st.binary(max_size=1500), messages, cuts)
def test_garbage_costs_no_more_than_the_frame_that_it_touches(garbage: bytes, sent: bytes, sizes: list[int]) -> None:
    decoder = Decoder()
    stream = garbage + b"\0" + encode(sent)
    received = [each for piece in in_pieces(stream, sizes) for each in decoder.feed(piece)]
    assert received[-1] == sent
    if not any(map(_is_frame, garbage.split(b"\0"))):
        assert received == [sent]
        assert decoder.skipped == sum(map(len, garbage.split(b"\0")))


def _is_frame(piece: bytes) -> bool:
    return len(piece) < LARGEST_FRAME and open_frame(piece) is not None


@given(st.lists(messages, min_size=2, max_size=4), st.data())
def test_a_damaged_byte_costs_one_frame_or_two(sent: list[bytes], data: st.DataObject) -> None:
    """Two where the damage turned the zero between them into something else, or made a zero."""
    frames = [encode(each) for each in sent]
    stream = bytearray(b"".join(frames))
    place = data.draw(st.integers(0, len(stream) - 1))
    stream[place] ^= data.draw(st.integers(1, 255))
    received = Decoder().feed(bytes(stream))
    assert len(sent) - 2 <= len(received) < len(sent)
    assert all(each in sent for each in received)


@given(messages, st.integers(0, LARGEST_FRAME))
def test_what_is_cut_off_is_nothing(sent: bytes, kept: int) -> None:
    decoder = Decoder()
    frame = encode(sent)
    assert decoder.feed(frame[: min(kept, len(frame) - 1)]) == []
    assert decoder.feed(b"\0" + encode(b"next")) in ([b"next"], [sent, b"next"])


def test_endless_noise_takes_no_memory() -> None:
    decoder = Decoder()
    for _ in range(2000):
        assert decoder.feed(b"\x55" * 1000) == []
    assert len(decoder._held) < LARGEST_FRAME
    assert decoder.skipped == 2_000_000
    assert decoder.feed(b"\0" + encode(b"heard again")) == [b"heard again"]


def test_idle_line_is_no_damage() -> None:
    decoder = Decoder()
    decoder.feed(b"\0" * 100)
    assert (decoder.good, decoder.damaged, decoder.skipped) == (0, 0, 0)


@pytest.mark.parametrize("size", [0, LARGEST_MESSAGE + 1])
def test_messages_of_impossible_size(size: int) -> None:
    with pytest.raises(ValueError, match=f"{size} bytes does not fit"):
        encode(bytes(size))


@pytest.mark.parametrize("largest", [128, 255, 256, 257, 300, 510, 511, 512])
def test_room_is_exact(largest: int) -> None:
    """The worst message, without any zero, of that size fits a frame; one byte more does not."""
    assert len(cobs.encode(b"\x01" * (room(largest) + 4))) + 1 <= largest
    assert len(cobs.encode(b"\x01" * (room(largest) + 5))) + 1 > largest


def test_crc_is_that_of_ethernet() -> None:
    """The check value CBF43926 of the digits 1 to 9: ISO 3309 / ITU-T V.42 CRC-32; value (m) from memory."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert encode(b"123456789")[:-1] == cobs.encode(b"123456789" + bytes.fromhex("2639f4cb"))


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        ("00", "01 01"),
        ("00 00", "01 01 01"),
        ("00 11 00", "01 02 11 01"),
        ("11 22 00 33", "03 11 22 02 33"),
        ("11 22 33 44", "05 11 22 33 44"),
        ("11 00 00 00", "02 11 01 01 01"),
    ],
)
def test_stuffing_is_that_of_its_authors(plain: str, stuffed: str) -> None:
    """Short examples of the rule in Cheshire and Baker, IEEE/ACM Trans. Netw. 7 (1999) 159; worked by hand from it."""
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)


def test_longest_stretches_of_stuffing() -> None:
    """254 bytes that are no zero take the code FF, as the rule says."""
    nonzero = bytes(range(1, 255))
    assert cobs.encode(nonzero) == b"\xff" + nonzero
    assert cobs.encode(nonzero + b"\xff") == b"\xff" + nonzero + b"\x02\xff"
