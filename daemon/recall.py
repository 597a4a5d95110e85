"""What an earlier daemon left behind, read from the store, so that a restart forgets neither a run nor an abort."""

from dataclasses import replace

from luggin.daemon.execution import Execution
from luggin.daemon.store import Store
from luggin.protocol.instrument import Cell, Outcome
from luggin.protocol.payloads import MOST_POINTS_ASKED, RunEvent, RunHeader, RunResult
from luggin.protocol.program import Limit, Program
from luggin.protocol.tally import Tally
from luggin.protocol.unit import Order, Run, State, Unit, restored


async def recall(store: Store, instrument: str, now: float, utc: float) -> tuple[Unit, Execution | None]:
    """The unit as it was left, and the execution of the run that has no result yet."""
    for older in (await _unfinished(store, instrument))[:-1]:
        # A run starts only after the one before has its result, unless somebody moved files.
        await store.finish_run(_abandoned(older.run, await store.stored_after(older.run), utc))
    unit, header = await remembered(store, instrument, now)
    if header is None or unit.run is None:
        return unit, None
    execution = Execution(header, in_store=True)
    await _catch_up(store, execution, unit.run.tally.received)
    return unit, execution


async def remembered(store: Store, instrument: str, now: float) -> tuple[Unit, RunHeader | None]:
    """The unit as it was left, and the header of the run that has no result yet; the store is only read."""
    mine = await _unfinished(store, instrument)
    aborted = await _abort_that_stands(store, instrument)
    if not mine:
        return restored(now, aborted, None, None), None
    header = mine[-1]
    events = await store.events(header.run)
    program = Program.model_validate(header.program)
    run = _run(header, program, events, await store.stored_after(header.run))
    states = [State(event.data["to"]) for event in events if event.kind == "state"]
    return restored(now, aborted, run, states[-1] if states else None), header


async def _unfinished(store: Store, instrument: str) -> list[RunHeader]:
    return [header for run in await store.unfinished() if (header := await store.header(run)).instrument == instrument]


def _run(header: RunHeader, program: Program, events: list[RunEvent], stored: int) -> Run:
    order = Order.of(header.run, program, bool(header.identity.get("dead_man")))
    tally = Tally(received=stored, durable=stored)
    held = any(event.kind == "state" and event.data["to"] == State.HELD for event in events)
    run = Run(order=order, boot=header.boot, begun=True, seen=True, tally=tally, flagged=held)
    for event in events:
        if event.kind == "ended":
            outcome = event.data["outcome"]
            run = replace(
                run,
                tally=tally.ended(int(event.data["end"])),
                outcome=None if outcome is None else Outcome(outcome),
                detail=str(event.data["detail"]),
            )
    return run


async def _catch_up(store: Store, execution: Execution, stored: int) -> None:
    """Let the limits go on from the points that are stored: all of them where charge has to be summed up."""
    summed = execution.program.limits.charge != Limit() and "charge" not in execution.header.columns
    first = 0 if summed else max(0, stored - MOST_POINTS_ASKED)
    while first < stored:
        batches = await store.points(execution.header.run, first, stored)
        for batch in batches:
            execution.judge(batch)
        first = batches[-1].after if batches else stored


async def _abort_that_stands(store: Store, instrument: str) -> str:
    """The reason of the newest abort that nobody cleared, or empty."""
    newest = await store.newest_entry(instrument, "aborted", "cleared")
    return newest.sentence if newest is not None and newest.kind == "aborted" else ""


def _abandoned(run: str, points: int, utc: float) -> RunResult:
    return RunResult(
        run=run,
        state="Aborted",
        outcome="unknown",
        sentence="No daemon saw the end of this run.",
        points=points,
        gaps=[],
        cell=Cell.UNKNOWN,
        flagged=True,
        utc=utc,
    )
