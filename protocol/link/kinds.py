"""The kinds of fields that messages are made of: how each looks on the line, and what is accepted as one."""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

IDENTIFIER = re.compile(r"[a-z0-9-]{1,64}")
LARGEST_COUNT = 2**53 - 1
"""Indices and counts stay whole numbers in double precision."""


class MessageError(ValueError):
    """Bytes that are no message of this protocol; `sequence` is that of the request, where it could still be read."""

    def __init__(self, reason: str, sequence: int | None = None) -> None:
        super().__init__(reason)
        self.sequence = sequence


@dataclass(frozen=True)
class Kind:
    """`read` turns a decoded CBOR value into the field's value or raises MessageError; `write` goes the other way."""

    read: Callable[[Any], Any]
    write: Callable[[Any], Any] = lambda value: value


def _expected(what: str, value: object) -> MessageError:
    return MessageError(f"expected {what}, got {repr(value)[:40]}")


def whole(low: int = 0, high: int = LARGEST_COUNT) -> Kind:
    """A whole number in [low, high]."""

    def read(value: object) -> int:
        if type(value) is not int or not low <= value <= high:
            raise _expected(f"a whole number from {low} to {high}", value)
        return value

    return Kind(read)


def number(low: float = -math.inf) -> Kind:
    """A finite floating-point number, not below `low`."""

    def read(value: object) -> float:
        if type(value) is not float or not math.isfinite(value) or value < low:
            raise _expected("a finite floating-point number" + (f" from {low}" if math.isfinite(low) else ""), value)
        return value

    return Kind(read, float)


def text(most: int) -> Kind:
    """Printable text of at most `most` bytes in UTF-8."""

    def read(value: object) -> str:
        if type(value) is not str or not value.isprintable() or len(value.encode()) > most:
            raise _expected(f"printable text of at most {most} bytes", value)
        return value

    return Kind(read)


def identifier(most: int = 64) -> Kind:
    """Small letters, digits and hyphens: fit for file names and topics as it is."""

    def read(value: object) -> str:
        if type(value) is not str or not IDENTIFIER.fullmatch(value) or len(value) > most:
            raise _expected(f"1 to {most} small letters, digits and hyphens", value)
        return value

    return Kind(read)


def data(least: int, most: int) -> Kind:
    """Bytes."""

    def read(value: object) -> bytes:
        if type(value) is not bytes or not least <= len(value) <= most:
            raise _expected(f"{least} to {most} bytes", value)
        return value

    return Kind(read)


def numbered(numbers: Mapping[Any, int]) -> Kind:
    """One of a fixed set, sent as its number."""
    members = {n: member for member, n in numbers.items()}

    def read(value: object) -> Any:
        if type(value) is not int or value not in members:
            raise _expected(f"one of the numbers {sorted(members)}", value)
        return members[value]

    return Kind(read, lambda member: numbers[member])


def optional(kind: Kind) -> Kind:
    """null where there is nothing to say."""
    return Kind(
        lambda value: None if value is None else kind.read(value),
        lambda value: None if value is None else kind.write(value),
    )


def record(build: Callable[..., Any], fields: Mapping[str, Kind]) -> Kind:
    """An array of exactly these fields, in this order."""

    def read(value: object) -> Any:
        if type(value) is not list or len(value) != len(fields):
            raise _expected(f"an array of {len(fields)} fields", value)
        arguments = {}
        for (name, kind), item in zip(fields.items(), value, strict=True):
            try:
                arguments[name] = kind.read(item)
            except MessageError as error:
                raise MessageError(f"{name}: {error}") from None
        return build(**arguments)

    return Kind(read, lambda value: [kind.write(getattr(value, name)) for name, kind in fields.items()])
