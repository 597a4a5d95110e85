"""The sequence document: methods in order, repeated, at intervals, with prompts, checks and brackets.

It is complete in itself: the methods that its steps name stand in it, so a stored sequence can be repeated.
"""

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, ValidationError, model_validator

from luggin.protocol import method
from luggin.protocol.document import bounded
from luggin.protocol.evaluation import settings_of
from luggin.protocol.problem import DocumentError, Problem, from_validation
from luggin.protocol.program import LONGEST, Frozen
from luggin.protocol.quantity import Duration

Name = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")]
MOST_STEPS = 400
MOST_DEPTH = 12
"""Levels of nesting in a sequence: those of a method, within loops within loops."""
MOST_TURNS = 1_000_000
MOST_TAGS = 14


class Check(Frozen):
    """What a run must have given: a quantity of its evaluation within bounds (SI), or within shares of the value that
    the first run of the same label gave.  A quantity that is missing has not passed.

    `then` says what follows when it has not: the run is flagged; or besides, the sequence is held, the innermost loop
    is left, or the sequence is stopped.
    """

    quantity: str = Field(min_length=1, max_length=128)
    least: float | None = None
    most: float | None = None
    least_share_of_first: float | None = None
    most_share_of_first: float | None = None
    then: Literal["flag", "hold", "leave-loop", "stop"] = "flag"

    @model_validator(mode="after")
    def _bounded(self) -> "Check":
        bounds = (self.least, self.most, self.least_share_of_first, self.most_share_of_first)
        if all(bound is None for bound in bounds):
            raise ValueError("a check needs a bound; give least, most, or a share of the first")
        return self


class Again(Frozen):
    """Measure once more with another method, say with a shorter deposition, when a quantity is above `most` (SI), at
    most `at_most` times.  All runs are kept."""

    quantity: str = Field(min_length=1, max_length=128)
    most: float
    run: Name
    at_most: int = Field(1, ge=1, le=5)


class RunStep(Frozen):
    """Run a method, `times` times.  `sample` takes the place of the sample that the method names."""

    run: Name
    times: int = Field(1, ge=1, le=1000)
    label: Name | None = None
    sample: str | None = Field(None, min_length=1, max_length=128)
    checks: tuple[Check, ...] = Field((), max_length=16)
    again: Again | None = None

    @property
    def group(self) -> str:
        """What the first value of a quantity is kept under."""
        return self.label or self.run


class PromptStep(Frozen):
    """Ask a person to do something and wait, with the cell off, until somebody answers."""

    prompt: str = Field(min_length=1, max_length=1000)


class WaitStep(Frozen):
    """Wait with the cell off."""

    wait: Duration = Field(gt=0, le=LONGEST)


class LoopStep(Frozen):
    """Steps over and over, `times` times or until a turn would begin later than `lasts`.

    With `every`, turn n, counted from 0, is due n * `every` after the first.  One whose time has passed because the
    turn before took too long begins `late`, at once; or is left out (`skip`), then it counts among the times.
    """

    steps: tuple["Step", ...] = Field(min_length=1, max_length=64)
    times: int | None = Field(None, ge=1, le=MOST_TURNS)
    lasts: Duration | None = Field(None, gt=0, le=LONGEST)
    every: Duration | None = Field(None, gt=0, le=LONGEST)
    overrun: Literal["skip", "late"] = "skip"

    @model_validator(mode="after")
    def _ends(self) -> "LoopStep":
        if self.times is None and self.lasts is None:
            raise ValueError("a loop needs an end; give times, lasts or both")
        return self


class SeriesStep(Frozen):
    """Samples between brackets: `controls` (blanks, check standards) run before the first sample, after each `every`
    samples and after the last.  A control that fails a check flags the samples on both sides of its bracket.

    A prompt belongs to the run that follows it."""

    controls: tuple[RunStep | PromptStep, ...] = Field(min_length=1, max_length=16)
    samples: tuple[RunStep | PromptStep, ...] = Field(min_length=1, max_length=200)
    every: int = Field(10, ge=1, le=200)

    @model_validator(mode="after")
    def _checked(self) -> "SeriesStep":
        if not any(isinstance(control, RunStep) and control.checks for control in self.controls):
            raise ValueError("a bracket needs a control with checks, or nothing can fail")
        return self


_KINDS = {"run": RunStep, "prompt": PromptStep, "wait": WaitStep, "steps": LoopStep, "samples": SeriesStep}


def _kind(step: Any) -> str | None:
    """A step is told by the field that no other kind has."""
    for field, model in _KINDS.items():
        if isinstance(step, model) or (isinstance(step, dict) and field in step):
            return f"kind:{field}"
    return None


Step = Annotated[
    Annotated[RunStep, Tag("kind:run")]
    | Annotated[PromptStep, Tag("kind:prompt")]
    | Annotated[WaitStep, Tag("kind:wait")]
    | Annotated[LoopStep, Tag("kind:steps")]
    | Annotated[SeriesStep, Tag("kind:samples")],
    Discriminator(
        _kind,
        custom_error_type="no_step",
        custom_error_message="a step has one of the fields run, prompt, wait, steps (a loop) and samples (a series)",
    ),
]
LoopStep.model_rebuild()


class SequenceDocument(Frozen):
    """A sequence.  `after_restart` says what becomes of it when the daemon comes back after a restart or a crash; to
    continue, only when it was away for at most `continue_within`, later a person has to look first.  `evaluation`, a
    kind with its settings, is computed from all its runs once it is complete."""

    version: Literal[1]
    name: Name
    notes: str = Field("", max_length=2000)
    after_restart: Literal["hold", "continue", "stop"] = "hold"
    continue_within: Duration = Field(3600.0, gt=0, le=LONGEST)
    methods: dict[Name, dict[str, Any]] = Field(min_length=1, max_length=32)
    steps: tuple[Step, ...] = Field(min_length=1, max_length=64)
    evaluation: dict[str, Any] | None = None


def parse(document: dict[str, Any]) -> SequenceDocument:
    """Validate a sequence with all its methods.  Raises DocumentError listing every wrong field."""
    bounded(document, "sequence", MOST_DEPTH)
    try:
        sequence = SequenceDocument.model_validate(document)
    except ValidationError as error:
        raise DocumentError(from_validation(error)) from None
    problems = list(_wrong_methods(sequence)) or list(_crowded(sequence))
    if sequence.evaluation is not None:
        try:
            settings_of(str(sequence.evaluation.get("kind", "")), sequence.evaluation, prefix="evaluation")
        except DocumentError as error:
            problems += error.problems
    named = list(_named(sequence.steps))
    problems += [
        Problem("steps", name, "no such method stands in this sequence", "known are " + ", ".join(sequence.methods))
        for name in dict.fromkeys(named)
        if name not in sequence.methods
    ]
    count = sum(1 for _ in _steps(sequence.steps))
    if count > MOST_STEPS:
        problems.append(Problem("steps", count, f"a sequence has at most {MOST_STEPS} steps", "use a loop"))
    if problems:
        raise DocumentError(problems)
    return sequence


def _crowded(sequence: SequenceDocument) -> Iterator[Problem]:
    """Methods whose tags leave no room for the two that a sequence adds."""
    for name, document in sequence.methods.items():
        count = len(document.get("setup", {}).get("tags", ()))
        if count > MOST_TAGS:
            allowed = f"a sequence adds its own; at most {MOST_TAGS} here"
            yield Problem(f"methods.{name}.setup.tags", count, "there are too many tags", allowed)


def _wrong_methods(sequence: SequenceDocument) -> Iterator[Problem]:
    for name, document in sequence.methods.items():
        try:
            method.compile_method(method.parse(document))
        except DocumentError as error:
            for problem in error.problems:
                yield Problem(f"methods.{name}.{problem.field}", problem.value, problem.reason, problem.allowed)


def _steps(steps: Sequence[Step]) -> Iterator[Step]:
    """All steps, at every depth."""
    for step in steps:
        yield step
        match step:
            case LoopStep():
                yield from _steps(step.steps)
            case SeriesStep():
                yield from step.controls
                yield from step.samples


def _named(steps: Sequence[Step]) -> Iterator[str]:
    for step in _steps(steps):
        if isinstance(step, RunStep):
            yield step.run
            if step.again is not None:
                yield step.again.run
