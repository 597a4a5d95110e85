"""One execution of a sequence, and how it looks from outside."""

from luggin.daemon.sequences.memory import Patron
from luggin.protocol.payloads import SequenceState
from luggin.protocol.sequence import Course, Progress, SequenceDocument, next_deadline
from luggin.protocol.sequence.course import Run


class Performance:
    """`origin` is its time 0 by the monotonic clock."""

    def __init__(self, name: str, document: SequenceDocument, patron: Patron, origin: float) -> None:
        self.name, self.document, self.patron, self.origin = name, document, patron, origin
        self.course = Course(document)
        self.progress = Progress()


def state_of(node: str, instrument: str, on: Performance | None, now: float, utc: float) -> SequenceState:
    """What is told of a sequence, or of there being none; `now` is by the monotonic clock, `utc` the same moment."""
    if on is None:
        return SequenceState(node=node, instrument=instrument, sequence=None, utc=utc)
    progress = on.progress
    step = on.course.leaf(progress.path)
    due = next_deadline(progress)
    return SequenceState(
        node=node,
        instrument=instrument,
        sequence=on.name,
        name=on.document.name,
        status=progress.status,
        reason=progress.reason,
        doing=progress.doing,
        run=progress.run,
        label=step.step.group if isinstance(step, Run) else "",
        runs=progress.runs,
        turns=tuple(frame.turn for frame in progress.path[1:]),
        missed=progress.missed,
        prompt=progress.prompt if progress.doing == "prompting" else None,
        due=None if due is None else utc + on.origin + due - now,
        evaluation=progress.evaluation,
        utc=utc,
    )
