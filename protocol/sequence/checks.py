"""What a run that is over means for its sequence: its own checks, and the bracket that it belongs to."""

from dataclasses import dataclass
from typing import Literal

from luggin.protocol.sequence.course import Run
from luggin.protocol.sequence.document import Check
from luggin.protocol.sequence.effects import Effect, Flag
from luggin.protocol.sequence.events import Ended
from luggin.protocol.sequence.progress import Progress

Then = Literal["go-on", "flag", "hold", "leave-loop", "stop"]
_GRAVITY: tuple[Then, ...] = ("go-on", "flag", "hold", "leave-loop", "stop")


@dataclass(frozen=True)
class Verdict:
    """What follows from a run, and why: the gravest of what its failed checks ask for."""

    then: Then
    reason: str = ""


def judge(progress: Progress, run: Run, ended: Ended) -> tuple[Progress, Verdict, tuple[Effect, ...]]:
    """Check a completed run.  Its first values are kept for the checks of those that follow."""
    firsts, verdict = dict(progress.firsts), Verdict("go-on")
    sentences = []
    for check in run.step.checks:
        key = f"{run.step.group}/{check.quantity}"
        found = ended.quantities.get(check.quantity)
        if found is not None:
            firsts.setdefault(key, found)
        if (wrong := _wrong(check, found, firsts.get(key))) is not None:
            sentence = f"Run {ended.run}: {wrong}."
            sentences.append(sentence)
            if _GRAVITY.index(check.then) > _GRAVITY.index(verdict.then):
                verdict = Verdict(check.then, sentence)
    effects: list[Effect] = [Flag(ended.run, sentence) for sentence in sentences]
    progress = progress.model_copy(update={"firsts": firsts})
    progress, more = _bracketed(progress, run, ended, failed=bool(sentences))
    return progress, verdict, (*effects, *more)


def _wrong(check: Check, found: float | None, first: float | None) -> str | None:
    """Why a value has not passed; None when it has."""
    name = check.quantity
    if found is None:
        return f"{name} was not found"
    if check.least is not None and found < check.least:
        return f"{name} = {found:.4g} is below {check.least:.4g}"
    if check.most is not None and found > check.most:
        return f"{name} = {found:.4g} is above {check.most:.4g}"
    if check.least_share_of_first is None and check.most_share_of_first is None:
        return None
    if not first:
        return f"{name} has no first value to compare with"
    share = found / first
    if check.least_share_of_first is not None and share < check.least_share_of_first:
        return f"{name} is {share:.1%} of the first, below {check.least_share_of_first:.1%}"
    if check.most_share_of_first is not None and share > check.most_share_of_first:
        return f"{name} is {share:.1%} of the first, above {check.most_share_of_first:.1%}"
    return None


def _bracketed(progress: Progress, run: Run, ended: Ended, failed: bool) -> tuple[Progress, tuple[Effect, ...]]:
    """Keep account of samples and controls; a failed control flags what it encloses, before and behind."""
    if run.role == "control":
        begun = progress if progress.bracket else progress.model_copy(update={"bracket": True, "failed": False})
        if not failed or begun.failed:
            return begun, ()
        flags = [Flag(each, f"The control {ended.run} after it failed.") for each in begun.enclosed]
        return begun.model_copy(update={"failed": True}), tuple(flags)
    if run.role == "sample":
        if progress.bracket:
            progress = progress.model_copy(update={"bracket": False, "suspect": progress.failed, "enclosed": ()})
        flag = (Flag(ended.run, "A control before it failed."),) if progress.suspect else ()
        return progress.model_copy(update={"enclosed": (*progress.enclosed, ended.run)}), flag
    return progress.model_copy(update={"enclosed": (), "suspect": False, "bracket": False, "failed": False}), ()
