"""The machine of a sequence: `step` takes it from one event to the next and says what is to be done.

It is total and has no clock: events carry the time, `next_deadline` says when a Tick is due.  It never starts a run
while another is on, after a fault it waits for a person, and what was refused or failed is never skipped silently.
"""

from luggin.protocol.quantity import show
from luggin.protocol.sequence import events
from luggin.protocol.sequence.checks import judge
from luggin.protocol.sequence.course import Arrival, Course, Run
from luggin.protocol.sequence.document import PromptStep, WaitStep
from luggin.protocol.sequence.effects import Effect, EndRun, Record, Rejected, StartRun
from luggin.protocol.sequence.progress import OVER, Progress, Status

Moved = tuple[Progress, tuple[Effect, ...]]


def begin(course: Course) -> Moved:
    """The sequence at time 0, and what its first step asks for."""
    return _arrive(course, Progress(path=course.first(0.0), reason="The sequence began."))


def next_deadline(progress: Progress) -> float | None:
    """When (s since the beginning) the shell must send a Tick; None while only news count."""
    return progress.due if progress.doing == "waiting" and progress.status is Status.EXECUTE else None


def step(course: Course, progress: Progress, event: events.Event) -> Moved:
    """The sequence after `event`, and the effects of it in order."""
    if progress.status in OVER:
        over = Rejected(f"The sequence is over: {progress.status}.")
        return progress, (over,) if isinstance(event, events.Command) else ()
    progress = _with(progress, at=max(progress.at, event.at))
    match event:
        case events.Tick():
            return _waited(course, progress)
        case events.Hold():
            return _hold(progress, event.by)
        case events.Unhold():
            return _unhold(course, progress, event.by)
        case events.Skip():
            return _skip(course, progress, event.by)
        case events.Stop():
            return _end(progress, Status.STOPPING, f"{event.by} asked to stop the sequence.")
        case events.Abort():
            return _end(progress, Status.ABORTING, f"{event.by} asked to abort the sequence.")
        case events.Answer():
            return _answered(course, progress, event)
        case events.Started() if progress.doing == "starting":
            return _started(progress, event.run)
        case events.Refused() if progress.doing == "starting":
            return _refused(course, progress, event.sentence)
        case events.Ended() if progress.run == event.run:
            return _ended(course, progress, event)
        case events.Restarted():
            return _restarted(course, progress, event)
    return progress, ()


# People


def _hold(progress: Progress, by: str) -> Moved:
    if progress.status is not Status.EXECUTE:
        return progress, (Rejected(f"The sequence is {progress.status}; only one in Execute can be held."),)
    return _held(progress, f"{by} asked to hold the sequence.", calls=False)


def _unhold(course: Course, progress: Progress, by: str) -> Moved:
    progress = _with(progress, calls=False)
    if progress.status is Status.HOLDING:
        return _with(progress, status=Status.EXECUTE, reason=f"{by} asked to go on."), ()
    if progress.status is not Status.HELD:
        return progress, (Rejected(f"The sequence is {progress.status}; only one that is Held can go on."),)
    progress = _with(progress, status=Status.EXECUTE, reason=f"{by} asked to go on.")
    return _waited(course, progress) if progress.doing == "waiting" else _resume(course, progress)


def _resume(course: Course, progress: Progress) -> Moved:
    """Go on with the present step where nothing is under way."""
    return (progress, ()) if progress.doing != "nothing" else _arrive(course, progress)


def _skip(course: Course, progress: Progress, by: str) -> Moved:
    if progress.status in (Status.STOPPING, Status.ABORTING):
        return progress, (Rejected(f"The sequence is {progress.status}; nothing is left to skip."),)
    note = Record("skip", f"{by} skipped a step.")
    progress = _with(progress, reason=f"{by} skipped a step.", calls=False)
    if progress.doing in ("starting", "running"):
        ending: tuple[Effect, ...] = (EndRun("stop"),) if progress.doing == "running" else ()
        return _with(progress, skipping=True), (note, *ending)
    progress, effects = _leave(course, progress, course.after(progress.path, progress.at))
    return progress, (note, *effects)


def _end(progress: Progress, status: Status, reason: str) -> Moved:
    stopping = status is Status.STOPPING
    if stopping and progress.status in (Status.STOPPING, Status.ABORTING):
        return progress, (Rejected("The sequence is ending already; abort ends its run at once."),)
    progress = _with(progress, status=status, reason=reason, calls=False)
    if progress.doing == "running":
        return progress, (EndRun("stop" if stopping else "abort"),)
    return (progress, ()) if progress.doing == "starting" else _over(progress)


def _answered(course: Course, progress: Progress, answer: events.Answer) -> Moved:
    if progress.doing != "prompting" or progress.prompt != answer.prompt:
        return progress, (Rejected("Nobody is asked for this now; look at the sequence again."),)
    said = f": {answer.words}" if answer.words else ""
    note = Record("answer", f"{answer.by} answered{said}", {"prompt": answer.prompt})
    progress, effects = _leave(course, progress, course.after(progress.path, progress.at))
    return progress, (note, *effects)


# The instrument


def _started(progress: Progress, run: str) -> Moved:
    progress = _with(progress, doing="running", run=run, runs=progress.runs + 1)
    note = Record("run", f"Run {run} began.", {"run": run})
    if progress.status is Status.ABORTING:
        return progress, (note, EndRun("abort"))
    if progress.status is Status.STOPPING or progress.skipping:
        return progress, (note, EndRun("stop"))
    return progress, (note,)


def _refused(course: Course, progress: Progress, sentence: str) -> Moved:
    skipped, progress = progress.skipping, _with(progress, doing="nothing", skipping=False)
    if progress.status in (Status.STOPPING, Status.ABORTING):
        return _over(progress)
    if skipped:
        progress = _with(progress, status=Status.HELD) if progress.status is Status.HOLDING else progress
        return _leave(course, progress, course.after(progress.path, progress.at))
    return _held(progress, f"A run could not start: {sentence}")


def _ended(course: Course, progress: Progress, event: events.Ended) -> Moved:
    """A run is over: judge it, then go on unless it went wrong or somebody else stopped it."""
    node = course.leaf(progress.path)
    assert isinstance(node, Run)
    skipped, progress = progress.skipping, _with(progress, doing="nothing", run=None, skipping=False)
    if progress.status in (Status.STOPPING, Status.ABORTING):
        return _over(progress)
    if progress.status is Status.HOLDING:
        progress = _with(progress, status=Status.HELD)
    if event.state == "Aborted" or (event.state != "Complete" and not skipped):
        sentence = f"Run {event.run} ended {event.state}: {event.sentence}"
        return _held(progress, f"{sentence} Look at it, clear the instrument if need be, then unhold, skip or stop.")
    if skipped:
        return _leave(course, progress, course.after(progress.path, progress.at))
    progress, verdict, effects = judge(progress, node, event)
    more: tuple[Effect, ...] = ()
    match verdict.then:
        case "stop":
            progress, more = _over(_with(progress, status=Status.STOPPING, reason=verdict.reason))
        case "leave-loop":
            progress, more = _leave(course, progress, course.beyond_loop(progress.path, progress.at))
        case "hold" if progress.status is Status.EXECUTE:
            progress, held = _held(progress, verdict.reason)
            progress, more = _next_run(course, progress, node, event)
            more = (*held, *more)
        case _:
            progress, more = _next_run(course, progress, node, event)
    return progress, (*effects, *more)


def _next_run(course: Course, progress: Progress, node: Run, event: events.Ended) -> Moved:
    """Once more with another method, the next replicate, or the next step."""
    again, found = node.step.again, None if node.step.again is None else event.quantities.get(node.step.again.quantity)
    if again is not None and found is not None and found > again.most and progress.again < again.at_most:
        words = f"{again.quantity} = {found:.4g} of run {event.run} is above {again.most:.4g}; it is measured again"
        progress, effects = _arrive(course, _with(progress, again=progress.again + 1))
        return progress, (Record("again", f"{words} with {again.run}.", {"run": event.run}), *effects)
    if progress.replicate + 1 < node.step.times:
        return _arrive(course, _with(progress, replicate=progress.replicate + 1, again=0))
    return _leave(course, progress, course.after(progress.path, progress.at))


def _restarted(course: Course, progress: Progress, event: events.Restarted) -> Moved:
    skipped = False
    if progress.doing == "starting" and event.run is None:  # what was asked for never began
        skipped, status = progress.skipping, progress.status
        status = Status.HELD if status is Status.HOLDING else status
        progress = _with(progress, doing="nothing", status=status, skipping=False)
    elif progress.doing == "starting":
        progress = _with(progress, doing="running", run=event.run)
    note = Record("restart", "The daemon was restarted.")
    if progress.status in (Status.STOPPING, Status.ABORTING):
        if progress.doing == "running":
            return progress, (note, EndRun("stop" if progress.status is Status.STOPPING else "abort"))
        progress, effects = _over(progress)
    elif event.policy == "stop":
        progress, effects = _end(progress, Status.STOPPING, "The daemon was restarted; the sequence stops, as it says.")
    elif event.policy == "hold" and progress.status is Status.EXECUTE:
        progress, effects = _held(progress, "The daemon was restarted; the sequence waits for a person, as it says.")
    elif skipped and progress.status is Status.EXECUTE:
        progress, effects = _leave(course, progress, course.after(progress.path, progress.at))
    elif progress.status is Status.EXECUTE:
        progress, effects = _resume(course, progress)
    else:
        effects = ()
    return progress, (note, *effects)


# The way


def _waited(course: Course, progress: Progress) -> Moved:
    if progress.doing != "waiting" or progress.due is None or progress.at < progress.due:
        return progress, ()
    if progress.status is not Status.EXECUTE:
        return progress, ()
    awaited, progress = progress.then, _with(progress, doing="nothing", due=None)
    if awaited == "begin":
        return _arrive(course, progress)
    return _leave(course, progress, course.after(progress.path, progress.at))


def _leave(course: Course, progress: Progress, arrival: Arrival | None) -> Moved:
    """The present step is done with: to the next one, at once or when it is due."""
    progress = _with(progress, doing="nothing", due=None, replicate=0, again=0)
    if arrival is None:
        return _with(progress, status=Status.COMPLETE, reason="All steps are done."), ()
    progress = _with(progress, path=arrival.path, missed=progress.missed + arrival.missed)
    effects: tuple[Effect, ...] = ()
    if arrival.missed:
        turns = "1 turn was" if arrival.missed == 1 else f"{arrival.missed} turns were"
        effects = (Record("missed", f"{turns} left out: the one before took too long.", {"missed": arrival.missed}),)
    if arrival.due is not None:
        reason = "Waiting for the time at which the next turn is due."
        return _with(progress, doing="waiting", due=arrival.due, then="begin", reason=reason), effects
    progress, more = _arrive(course, progress)
    return progress, (*effects, *more)


def _arrive(course: Course, progress: Progress) -> Moved:
    """Begin the step at which the path ends; a held sequence stands before it."""
    if progress.status is not Status.EXECUTE:
        return progress, ()
    match course.leaf(progress.path):
        case Run() as run:
            again = run.step.again
            name = again.run if again is not None and progress.again else run.step.run
            start = StartRun(name, run.step.sample, run.step.group, progress.runs)
            turn = f", {progress.replicate + 1} of {run.step.times}" if run.step.times > 1 else ""
            return _with(progress, doing="starting", reason=f"Measuring {run.step.group} with {name}{turn}."), (start,)
        case PromptStep() as prompt:
            number = progress.prompt + 1
            note = Record("prompt", prompt.prompt, {"prompt": number})
            return _with(progress, doing="prompting", prompt=number, reason=prompt.prompt), (note,)
        case WaitStep() as wait:
            reason = f"Waiting for {show(wait.wait, 's')}."
            return _with(progress, doing="waiting", due=progress.at + wait.wait, then="go-on", reason=reason), ()


def _held(progress: Progress, reason: str, calls: bool = True) -> Moved:
    busy = progress.doing in ("starting", "running")
    status = Status.HOLDING if busy else Status.HELD
    return _with(progress, status=status, reason=reason, calls=calls), (Record("held", reason),)


def _over(progress: Progress) -> Moved:
    status = Status.ABORTED if progress.status is Status.ABORTING else Status.STOPPED
    return _with(progress, status=status, doing="nothing", due=None, run=None), ()


def _with(progress: Progress, **changes: object) -> Progress:
    return progress.model_copy(update=changes)
