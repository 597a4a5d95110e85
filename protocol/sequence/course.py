"""The way through a sequence: where it stands, and which step comes next.  A series becomes a plain list of steps."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from luggin.protocol.program import Frozen
from luggin.protocol.sequence.document import (
    LoopStep,
    PromptStep,
    RunStep,
    SequenceDocument,
    SeriesStep,
    Step,
    WaitStep,
)

Role = Literal["control", "sample"]


@dataclass(frozen=True)
class Run:
    """One run; `role` is set within a series."""

    step: RunStep
    role: Role | None = None


@dataclass(frozen=True)
class Loop:
    step: LoopStep
    body: tuple["Node", ...]


Node = Run | PromptStep | WaitStep | Loop


class Frame(Frozen):
    """A place in one list of steps; of a loop's list, which turn it is and when (s) its first turn began."""

    index: int
    turn: int = 0
    begun: float = 0.0


Path = tuple[Frame, ...]


@dataclass(frozen=True)
class Arrival:
    """The next place.  `due` is when (s) its turn begins, `missed` how many turns were left out before it."""

    path: Path
    due: float | None = None
    missed: int = 0


class Course:
    """The steps of a sequence as one tree of runs, prompts, waits and loops."""

    def __init__(self, sequence: SequenceDocument) -> None:
        self._nodes = tuple(_nodes(sequence.steps))

    def first(self, at: float) -> Path:
        return self._down((Frame(index=0),), at)

    def leaf(self, path: Path) -> Run | PromptStep | WaitStep:
        """The step at which this path ends."""
        node = self._list(path)[path[-1].index]
        assert not isinstance(node, Loop)
        return node

    def after(self, path: Path, at: float) -> Arrival | None:
        """The place after `path` at time `at` (s since the sequence began); None at the end."""
        last = path[-1]
        if last.index + 1 < len(self._list(path)):
            return Arrival(self._down((*path[:-1], last.model_copy(update={"index": last.index + 1})), at))
        if len(path) == 1:
            return None
        turn, missed, due = last.turn + 1, 0, None
        loop = self._loop(path)
        if loop.every is not None:
            if loop.overrun == "skip":
                slot = math.ceil((at - last.begun) / loop.every - 1e-9)
                missed, turn = max(0, slot - turn), max(turn, slot)
            due = last.begun + turn * loop.every
        start = at if due is None else max(at, due)
        if (loop.times is not None and turn >= loop.times) or (
            loop.lasts is not None and start - last.begun >= loop.lasts
        ):
            return self.beyond_loop(path, at)
        again = Frame(index=0, turn=turn, begun=last.begun)
        return Arrival(self._down((*path[:-1], again), start), due if due is not None and due > at else None, missed)

    def beyond_loop(self, path: Path, at: float) -> Arrival | None:
        """The place after the innermost loop around `path`; outside any loop, the next place."""
        return self.after(path[:-1] if len(path) > 1 else path, at)

    def _down(self, path: Path, at: float) -> Path:
        node = self._list(path)[path[-1].index]
        return self._down((*path, Frame(index=0, begun=at)), at) if isinstance(node, Loop) else path

    def _list(self, path: Path) -> Sequence[Node]:
        """The list of steps in which the path ends."""
        nodes = self._nodes
        for frame in path[:-1]:
            node = nodes[frame.index]
            assert isinstance(node, Loop)
            nodes = node.body
        return nodes

    def _loop(self, path: Path) -> LoopStep:
        node = self._list(path[:-1])[path[-2].index]
        assert isinstance(node, Loop)
        return node.step


def _nodes(steps: Sequence[Step]) -> Iterator[Node]:
    for step in steps:
        match step:
            case RunStep():
                yield Run(step)
            case PromptStep() | WaitStep():
                yield step
            case LoopStep():
                yield Loop(step, tuple(_nodes(step.steps)))
            case SeriesStep():
                yield from _bracketed(step)


def _bracketed(series: SeriesStep) -> Iterator[Node]:
    controls = [_in_series(control, "control") for control in series.controls]
    samples = 0
    yield from controls
    waiting: list[Node] = []  # prompts for the sample to come: the controls are measured before anybody is asked
    for step in series.samples:
        waiting.append(_in_series(step, "sample"))
        if isinstance(step, RunStep):
            if samples and samples % series.every == 0:
                yield from controls
            yield from waiting
            waiting.clear()
            samples += 1
    yield from waiting
    yield from controls


def _in_series(step: RunStep | PromptStep, role: Role) -> Node:
    return Run(step, role) if isinstance(step, RunStep) else step
