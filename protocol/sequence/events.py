"""What happens to a sequence.  `at` is in seconds since it began."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Event:
    at: float


@dataclass(frozen=True)
class Tick(Event):
    """Time has passed."""


# From people; who may do what was looked at before


@dataclass(frozen=True)
class Command(Event):
    by: str


class Hold(Command):
    """Let the present run end, then wait."""


class Unhold(Command):
    """Go on."""


class Skip(Command):
    """Leave the present step; a run is stopped in the orderly way."""


class Stop(Command):
    """Stop the present run in the orderly way, and end."""


class Abort(Command):
    """Abort the present run, and end."""


@dataclass(frozen=True)
class Answer(Command):
    """A person did what `prompt`, by its number, asked for."""

    prompt: int
    words: str = ""


# From the instrument's session


@dataclass(frozen=True)
class Started(Event):
    run: str


@dataclass(frozen=True)
class Refused(Event):
    """The run that was asked for did not start."""

    sentence: str


@dataclass(frozen=True)
class Ended(Event):
    """A run is over and was evaluated.  `state` is Complete, Stopped or Aborted; `quantities` are those of its
    evaluation, by name, in SI."""

    run: str
    state: str
    sentence: str
    quantities: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Restarted(Event):
    """The daemon is back.  `policy` is the sequence's own; `run` is the run at hand, None when none had started."""

    policy: str
    run: str | None
