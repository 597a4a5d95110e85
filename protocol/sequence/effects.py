"""What a sequence asks of its shell, in order."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal


@dataclass(frozen=True)
class Effect:
    pass


@dataclass(frozen=True)
class Rejected(Effect):
    """The command was not carried out."""

    sentence: str


@dataclass(frozen=True)
class StartRun(Effect):
    """Start a run of this method of the sequence.  Started or Refused follows, and Ended after Started."""

    method: str
    sample: str | None
    label: str
    number: int


@dataclass(frozen=True)
class EndRun(Effect):
    """Stop the present run in the orderly way, or abort it.  Ended follows."""

    how: Literal["stop", "abort"]


@dataclass(frozen=True)
class Flag(Effect):
    """Mark a run: something about it is in doubt."""

    run: str
    sentence: str


@dataclass(frozen=True)
class Record(Effect):
    """An event for the sequence's record."""

    kind: str
    sentence: str
    data: Mapping[str, Any] = field(default_factory=dict)
