"""What is wrong with a document: every wrong field at once, each with its path, value, reason and remedy."""

from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import ValidationError

_LONGEST = 60


@dataclass(frozen=True)
class Problem:
    """One wrong field.  `allowed` says what would be right; it may be empty when the reason says so already."""

    field: str
    value: object
    reason: str
    allowed: str = ""

    def __str__(self) -> str:
        shown = repr(self.value)
        shown = shown if len(shown) <= _LONGEST else shown[:_LONGEST] + "..."
        value = "" if self.value is None else f" = {shown}"
        sentence = f"{self.field}{value}: {self.reason}" + (f"; {self.allowed}" if self.allowed else "")
        # Names and reasons quote what somebody wrote; whatever that was, a problem is one line.
        return sentence if sentence.isprintable() else "".join(map(_printable, sentence))


def _printable(character: str) -> str:
    return character if character.isprintable() else repr(character)[1:-1]


class DocumentError(ValueError):
    """A document that can't be used; `problems` lists every wrong field."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def from_validation(error: ValidationError, prefix: str = "") -> list[Problem]:
    """Translate pydantic's report into problems, with dotted paths such as `phases[2].duration`."""
    entries = [dict(entry) for entry in error.errors(include_url=False)]
    return [_problem(entry, prefix) for entry in entries if not _follows(entry)]


def _follows(entry: dict[str, object]) -> bool:
    """Whether a list is called too short only because its wrong items, reported by themselves, were not counted."""
    given, context = entry.get("input"), entry.get("ctx")
    if entry["type"] != "too_short" or not isinstance(given, list | tuple) or not isinstance(context, dict):
        return False
    return len(given) >= int(context["min_length"])


def _problem(entry: dict[str, object], prefix: str) -> Problem:
    location = entry["loc"]
    assert isinstance(location, tuple)
    path = prefix
    for part in location:
        if isinstance(part, int):
            path += f"[{part}]"
        elif isinstance(part, str) and not part.startswith(("function-", "tagged-union", "kind:")):
            path += f".{part}" if path else part
    kind, message = str(entry["type"]), str(entry["msg"]).removeprefix("Value error, ")
    value = entry.get("input")
    if kind == "extra_forbidden":
        return Problem(path, value, "this field is unknown here", "remove it or correct its name")
    if kind == "missing":
        return Problem(path, None, "this field is missing", "add it")
    if isinstance(value, dict | list):
        value = None
    return Problem(path or "document", value, message[:1].lower() + message[1:])
