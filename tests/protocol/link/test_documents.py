"""Programs and capabilities as bytes."""

import contextlib
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.protocol.link import documents
from luggin.protocol.link.kinds import MessageError
from support.paper_instrument import CAPABILITY, program


def test_a_program_comes_back_as_it_was() -> None:
    made = program(100, 0.1)
    assert documents.read_program(documents.write_program(made)) == made


def test_the_same_program_gives_the_same_bytes() -> None:
    assert documents.write_program(program(100, 0.1)) == documents.write_program(program(100, 0.1))


def test_digest_is_sha_256() -> None:
    """FIPS 180-4, example "abc" (m)."""
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert documents.program_digest(b"abc").hex() == expected


def test_a_capability_comes_back_as_it_was() -> None:
    assert documents.read_capability(documents.write_capability(CAPABILITY)) == CAPABILITY


def changed(path: list[Any], value: object) -> bytes:
    item = cbor2.loads(documents.write_program(program(10, 0.1)))
    inner = item
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return cbor2.dumps(item)


@pytest.mark.parametrize(
    ("path", "value", "reason"),
    [
        (["blocks", 0, "segments", 0, "level"], "0.4", r"blocks\[0\].segments\[0\].hold.level"),
        (["blocks", 0, "segments", 0, "level"], True, "hold.level"),
        (["blocks", 0, "segments", 0, "kind"], "explode", r"segments\[0\]"),
        (["blocks", 0, "segments", 0, "unheard"], 1, "unknown"),
        (["blocks"], [], "blocks"),
        (["version"], 2, "version"),
    ],
)
def test_what_is_no_program_is_told_why(path: list[Any], value: object, reason: str) -> None:
    with pytest.raises(MessageError, match=reason):
        documents.read_program(changed(path, value))


def test_documents_are_bounded() -> None:
    with pytest.raises(MessageError, match="too large"):
        documents.read_capability(bytes(documents.LARGEST_CAPABILITY + 1))
    with pytest.raises(MessageError, match="deeper"):
        documents.read_program(b"\x81" * 100 + b"\x00")


@settings(max_examples=200)
@given(st.data())
def test_a_damaged_program_raises_one_error_only(data: st.DataObject) -> None:
    encoded = bytearray(documents.write_program(program(10, 0.1)))
    for _ in range(data.draw(st.integers(1, 4))):
        encoded[data.draw(st.integers(0, len(encoded) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(MessageError):
        documents.read_program(bytes(encoded))
