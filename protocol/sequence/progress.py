"""What is known of a sequence under way.  It is plain data: stored after each event, a restart goes on from it."""

from enum import StrEnum
from typing import Literal

from pydantic import Field

from luggin.protocol.program import Frozen
from luggin.protocol.sequence.course import Path


class Status(StrEnum):
    """States after ANSI/ISA-TR88.00.02, as far as a sequence needs them."""

    EXECUTE = "Execute"
    HOLDING = "Holding"
    HELD = "Held"
    STOPPING = "Stopping"
    ABORTING = "Aborting"
    COMPLETE = "Complete"
    STOPPED = "Stopped"
    ABORTED = "Aborted"


OVER = frozenset({Status.COMPLETE, Status.STOPPED, Status.ABORTED})

Doing = Literal["nothing", "starting", "running", "prompting", "waiting", "evaluating"]


class Progress(Frozen):
    """Times are seconds since the sequence began.

    `path` is the present step, `doing` what is done of it: a run is asked for, a run is on, a person is asked, or the
    time `due` is awaited.  `then` says that what is awaited is the beginning of the step, not its end.
    `runs` counts those begun, `replicate` those of the present step that are over, `again` its repeats with another
    method.  `prompt` counts prompts: an answer quotes it.  `firsts` are the first values of checked quantities.
    Within a series `enclosed` are the samples since the last bracket, `suspect` says that a control before them
    failed, `bracket` that a bracket is under way and `failed` that one of its controls did.
    `evaluation` names what was computed from all its runs.
    `calls` says that it was not a person who held it: somebody has to come.
    """

    at: float = 0.0
    status: Status = Status.EXECUTE
    reason: str = ""
    path: Path = ()
    doing: Doing = "nothing"
    run: str | None = None
    due: float | None = None
    then: Literal["begin", "go-on"] = "go-on"
    skipping: bool = False
    runs: int = 0
    replicate: int = 0
    again: int = 0
    prompt: int = 0
    missed: int = 0
    firsts: dict[str, float] = Field(default_factory=dict)
    enclosed: tuple[str, ...] = ()
    suspect: bool = False
    bracket: bool = False
    failed: bool = False
    evaluation: str = ""
    calls: bool = False
