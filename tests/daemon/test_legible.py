"""Any text, shown: nothing in it acts."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.legible import legible


@given(st.text(st.characters(codec=None)), st.none() | st.integers(0, 20))
def test_no_control_direction_or_other_invisible_character_is_left(text: str, most: int | None) -> None:
    for lines in (False, True):
        shown = legible(text, most, lines=lines)
        acting = {each for each in shown if unicodedata.category(each) in ("Cc", "Cf", "Cs", "Zl", "Zp")}
        assert acting <= ({"\n"} if lines else set())
        shown.encode("utf-8")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Säule 5 µA", "Säule 5 µA"),
        ("\u05e9\u05dc\u05d5\u05dd", "\u05e9\u05dc\u05d5\u05dd"),
        ("a\u202eb", "a\\u202eb"),
        ("\x1b[31m", "\\u001b[31m"),
        ("\ud800", "\\ud800"),
        ("\U000e0041", "\\U000e0041"),
        ("a\r\nb\tc", "a b c"),
    ],
)
def test_what_is_shown(text: str, shown: str) -> None:
    assert legible(text) == shown


def test_it_is_told_how_much_was_cut() -> None:
    assert legible("x" * 30, 10) == "xxxxxxxxxx ... (20 more characters)"
