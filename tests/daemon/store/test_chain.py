import hashlib
import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.store import chain
from luggin.protocol.instrument import Cell

documents = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=20,
)


@given(documents)
def test_the_canonical_text_can_be_made_again_from_its_content(document: Any) -> None:
    text = chain.canonical(document)
    assert chain.canonical(json.loads(text)) == text
    text.encode()


@given(st.dictionaries(st.text(max_size=5), st.integers(), max_size=6))
def test_the_order_of_fields_does_not_matter(document: dict[str, int]) -> None:
    assert chain.canonical(dict(reversed(document.items()))) == chain.canonical(document)


def test_what_json_cannot_say_is_said_plainly() -> None:
    odd = {
        "nan": math.nan,
        "cell": Cell.OFF,
        "array": np.array([1.5, np.inf], "<f4"),
        "flag": np.bool_(True),
        3: b"\x01",
    }
    assert json.loads(chain.canonical(odd)) == {
        "nan": None,
        "cell": "off",
        "array": [1.5, None],
        "flag": True,
        "3": "01",
    }
    assert json.loads(chain.canonical({"half": "\ud800"})) == {"half": "?"}


def test_the_hash_is_sha_256() -> None:
    # FIPS 180-4, SHA-256 of the one-block message "abc" (NIST example values) (m).
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert chain.start("abc").hex() == abc
    assert chain.link(b"a", "bc").hex() == abc


def entries(texts: list[str]) -> list[tuple[int, str, bytes]]:
    head, made = chain.start("header"), []
    for number, text in enumerate(texts):
        head = hashlib.sha256(head + text.encode()).digest()
        made.append((number, text, head))
    return made


@given(st.lists(st.text(max_size=5), min_size=1, max_size=6), st.data())
def test_any_change_is_noticed(texts: list[str], data: st.DataObject) -> None:
    whole = entries(texts)
    assert chain.broken(chain.start("header"), whole) is None
    assert "event 0" in (chain.broken(chain.start("another header"), whole) or "")
    index = data.draw(st.integers(0, len(whole) - 1))
    number, text, digest = whole[index]
    changed = [*whole]
    changed[index] = (number, text + "!", digest)
    assert f"event {index} or its hash was altered" == chain.broken(chain.start("header"), changed)
    if index < len(whole) - 1:
        assert chain.broken(chain.start("header"), whole[:index] + whole[index + 1 :]) == f"event {index} is missing"


def test_an_altered_event_with_a_new_hash_breaks_at_the_next_one() -> None:
    whole = entries(["a", "b", "c"])
    forged = chain.link(whole[0][2], "B")
    assert (
        chain.broken(chain.start("header"), [whole[0], (1, "B", forged), whole[2]]) == "event 2 or its hash was altered"
    )


@pytest.mark.parametrize("text", ["", "µA", "\n"])
def test_texts_are_hashed_as_utf_8(text: str) -> None:
    assert chain.start(text) == hashlib.sha256(text.encode("utf-8")).digest()
