"""What an earlier daemon left behind, read from the store, so that a restart neither forgets a run nor an abort."""

from luggin.daemon.store import Store
from luggin.protocol.instrument import Cell, Outcome
from luggin.protocol.payloads import RunEvent, RunHeader, RunResult
from luggin.protocol.program import Program
from luggin.protocol.tally import Span, Tally
from luggin.protocol.unit import Order, Run, State, Unit, restored


async def recall(store: Store, instrument: str, now: float, utc: float) -> tuple[Unit, RunHeader | None]:
    """The unit as it was left, and the header of the run that has no result yet."""
    mine = [header for run in await store.unfinished() if (header := await store.header(run)).instrument == instrument]
    for forsaken in mine[:-1]:  # can't be, unless a store was put together by hand
        await store.finish_run(_forsaken(forsaken.run, await store.stored_after(forsaken.run), utc))
    aborted = await _abort_that_stands(store, instrument)
    if not mine:
        return restored(now, aborted, None, None), None
    header = mine[-1]
    events = await store.events(header.run)
    order = Order.of(header.run, Program.model_validate(header.program), bool(header.identity.get("dead_man")))
    run = await _run(store, header, order, events)
    states = [State(event.data["to"]) for event in events if event.kind == "state"]
    return restored(now, aborted, run, states[-1] if states else None), header


async def _run(store: Store, header: RunHeader, order: Order, events: list[RunEvent]) -> Run:
    lost = [(e.data["first"], e.data["after"]) for e in events if e.kind == "lost" and e.data.get("after") is not None]
    stored = await store.stored_after(header.run)
    for first, after in sorted(lost):
        stored = after if first <= stored < after else stored
    tally = Tally(received=stored, durable=stored, lost=tuple(sorted(lost)))
    run = Run(order=order, boot=header.boot, begun=True)
    for event in events:
        if event.kind == "ended":
            outcome = event.data.get("outcome")
            tally = tally.ended(int(event.data["end"]))
            run = Run(
                order=order,
                boot=header.boot,
                begun=True,
                outcome=Outcome(outcome) if outcome else None,
                detail=str(event.data.get("detail", "")),
            )
    flagged = any(event.kind == "state" and event.data.get("to") == State.HELD for event in events)
    return Run(
        order=run.order, boot=run.boot, begun=True, tally=tally, flagged=flagged, outcome=run.outcome, detail=run.detail
    )


async def _abort_that_stands(store: Store, instrument: str) -> str:
    """The reason of the newest abort that nobody cleared, or empty."""
    reason = ""
    for entry in await store.log(instrument):
        if entry.kind == "aborted":
            reason = entry.sentence
        elif entry.kind == "cleared":
            reason = ""
    return reason


async def missing(store: Store, run: str, lost: tuple[Span, ...]) -> list[Span]:
    """Of the spans thought lost, those that the store really lacks."""
    found: list[Span] = []
    gaps = await store.gaps(run)
    for first, after in lost:
        if not await store.points(run, first, after, limit=1):
            found.append((first, after))
            continue
        found += [(max(first, a), min(after, b)) for a, b in gaps if a < after and first < b]
    return sorted(set(found))


def _forsaken(run: str, points: int, utc: float) -> RunResult:
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
