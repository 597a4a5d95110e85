"""Text from methods, events and packages as it may be shown: whatever is in it, it only ever looks like text."""

import unicodedata

_KEPT = "\n"


def legible(text: object, most: int | None = None, *, lines: bool = False) -> str:
    """The text with every control, direction and other invisible character written out, as \\u202e.

    Line breaks stay with `lines`, else they are blanks.  More than `most` characters are cut, and it is told how many
    were.
    """
    given = str(text).replace("\r\n", "\n").replace("\u2028", "\n").replace("\u2029", "\n").replace("\t", " ")
    left_out = len(given) - most if most is not None and len(given) > most else 0
    given = given[:most] if left_out else given
    given = given if lines else given.replace("\n", " ")
    shown = given if given.isascii() and given.isprintable() else "".join(map(_shown, given))
    return f"{shown} ... ({left_out} more characters)" if left_out else shown


def _shown(character: str) -> str:
    if character in _KEPT or unicodedata.category(character)[0] != "C" or unicodedata.category(character) == "Co":
        return character
    code = ord(character)
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
