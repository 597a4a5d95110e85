"""Program messages of IEEE 488.2 in pieces, headers of SCPI-1999, and the error queue with its numbers and words."""

import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

LONGEST = 1024
"""Bytes of a program message that the input buffer takes."""
MOST_ERRORS = 16

# SCPI-1999 volume 2, chapter 21 (from memory); 0 is what an empty queue answers.
ERRORS = {
    0: "No error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
}


class ScpiError(Exception):
    """Something that goes into the error queue.  Command errors (-1xx) end the message that they are in."""

    def __init__(self, number: int) -> None:
        super().__init__(ERRORS[number])
        self.number = number


class ErrorQueue:
    """First in, first out; when it is full the newest entry says so."""

    def __init__(self) -> None:
        self._numbers: deque[int] = deque()

    def put(self, number: int) -> None:
        if len(self._numbers) == MOST_ERRORS:
            self._numbers[-1] = -350
        else:
            self._numbers.append(number)

    def next(self) -> str:
        number = self._numbers.popleft() if self._numbers else 0
        return f'{number},"{ERRORS[number]}"'

    def clear(self) -> None:
        self._numbers.clear()


@dataclass(frozen=True)
class Call:
    """One program message unit: its header from the root on, and its parameters."""

    header: str
    parameters: tuple[str, ...]


def calls(message: str) -> Iterator[Call]:
    """The units of a message.  A header without a leading colon goes on where the one before stood (SCPI-1999)."""
    path = ""
    for unit in message.split(";"):
        header, _, rest = unit.strip().partition(" ")
        if not header:
            continue
        if not header.startswith("*"):
            header = header[1:] if header.startswith(":") else path + header
            path = header[: header.rfind(":") + 1]
        parameters = tuple(part.strip() for part in rest.split(",")) if rest.strip() else ()
        yield Call(header, parameters)


Handler = Callable[..., str | None]


class Commands:
    """Headers in the notation of the standard, e.g. `OUTPut[:STATe]`, and what carries each out."""

    def __init__(self, table: Iterable[tuple[str, int, Handler]]) -> None:
        self._table = [(_pattern(header), parameters, handler) for header, parameters, handler in table]

    def carry_out(self, call: Call) -> str | None:
        """The answer of a query.  Raises ScpiError."""
        for pattern, parameters, handler in self._table:
            if pattern.fullmatch(call.header):
                if len(call.parameters) != parameters:
                    raise ScpiError(-108 if len(call.parameters) > parameters else -109)
                return handler(*call.parameters)
        raise ScpiError(-113)


def number(text: str, low: float, high: float) -> float:
    """A numeric parameter within its bounds.  Raises ScpiError."""
    try:
        value = float(text)
    except ValueError:
        raise ScpiError(-104) from None
    if not low <= value <= high:
        raise ScpiError(-222)
    return value


def boolean(text: str) -> bool:
    """Raises ScpiError."""
    match text.upper():
        case "ON" | "1":
            return True
        case "OFF" | "0":
            return False
    raise ScpiError(-224)


def _pattern(header: str) -> re.Pattern[str]:
    """Short or long form of each mnemonic, in any case; what is in brackets may be missing."""
    query = r"\?" if header.endswith("?") else ""
    plain = header.removesuffix("?").replace("[", "(?:").replace("]", ")?").replace("*", r"\*")
    return re.compile(re.sub(r"[A-Z]+[a-z]*", lambda found: _forms(found[0]), plain) + query, re.IGNORECASE)


def _forms(mnemonic: str) -> str:
    short = re.match("[A-Z]+", mnemonic)
    assert short is not None
    return mnemonic if short[0] == mnemonic else f"(?:{short[0]}|{mnemonic})"
