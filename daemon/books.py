"""What one instrument's session writes to the store, and what it says to the machine about it."""

import asyncio
from collections.abc import Callable

from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.execution import Execution
from luggin.daemon.store import NoSuchRun, Store, StoreConflict, StoreError, StoreFull
from luggin.protocol.instrument import Cell, Status
from luggin.protocol.payloads import RunHeader, RunResult
from luggin.protocol.points import Batch
from luggin.protocol.unit import effects, events

_AGAIN = 5.0
Feed = Callable[[events.Event], object]


class Books:
    def __init__(self, store: Store, instrument: str, clock: Clock, feed: Feed) -> None:
        self._store, self._instrument, self._clock, self._feed = store, instrument, clock, feed
        self._early: list[effects.Record] = []

    async def begin(self, execution: Execution) -> bool:
        """Make a run durable before anything is done to the instrument; whether the store took it."""
        run = execution.run
        try:
            await self._store.begin_run(execution.header)
        except StoreError as error:
            self._early.clear()
            self._feed(events.Declined(self._clock.monotonic(), run, f"The run can't be stored: {error}."))
            return False
        execution.in_store = True
        early, self._early = self._early, []
        for each in early:
            self.record(each, execution)
        return True

    async def disavow(self, header: RunHeader) -> None:
        """Close the books on a run that did not begin, where the store has it all the same: a sync that fails may have
        reached the disk.  Waits until the store can tell."""
        run = header.run
        sentence = "The store did not confirm the beginning of this run; nothing was done to the instrument."
        while True:
            try:
                if await self._store.result(run) is None:
                    await self._store.finish_run(
                        RunResult(
                            run=run,
                            state="Aborted",
                            outcome="not-begun",
                            sentence=sentence,
                            points=0,
                            gaps=[],
                            cell=Cell.OFF,
                            flagged=False,
                            utc=self._clock.utc(),
                        )
                    )
                return
            except (NoSuchRun, StoreConflict):
                return
            except StoreError:
                await asyncio.sleep(_AGAIN)

    def record(self, effect: effects.Record, execution: Execution | None) -> None:
        """Append to the events of the run, or to the log of the instrument.  Safety waits for none of it."""
        if execution is not None and effect.run == execution.run and not execution.in_store:
            self._early.append(effect)
            return
        self._store.event(effect.run, self._instrument, effect.kind, effect.sentence, effect.data, urgent=True)

    async def attest(self, run: str | None, person: str, statement: str, command: ReceivedCommand) -> None:
        await self._store.attest(self._instrument, run, person, statement, command.client, command.verified)

    def keep(self, batch: Batch) -> None:
        """Queue points for the one writer; Stored or NotStored follows."""
        run, first, after = batch.run, batch.first, batch.after

        def done(future: "asyncio.Future[int]") -> None:
            if future.cancelled():
                return
            error, now = future.exception(), self._clock.monotonic()
            if error is None:
                self._feed(events.Stored(now, run, first, after))
            else:
                full = isinstance(error, StoreFull)
                self._feed(events.NotStored(now, run, f"Points can't be stored: {error}.", full))

        self._store.put(batch).add_done_callback(done)

    async def stored_of(self, run: str) -> int | None:
        """The index after the last contiguous stored point of a run, None when the store doesn't know it."""
        try:
            return await self._store.stored_after(run)
        except StoreError:
            return None

    async def keep_late(self, batch: Batch) -> None:
        """Store points of a run that has its result already."""
        await self._store.put(batch)

    def anchor(self, status: Status, run: str | None) -> None:
        run_time = status.run_time if run is not None and status.run == run else None
        self._store.anchor(
            self._instrument,
            run,
            status.boot,
            self._clock.monotonic(),
            self._clock.utc(),
            bool(self._clock.synchronised()),
            status.clock,
            run_time,
        )

    async def seal(self, effect: effects.Seal) -> None:
        """Store the result of a run; Sealed or NotStored follows."""
        try:
            gaps = await self._store.gaps(effect.run, effect.end)
            doubts = (await self._store.header(effect.run)).doubts
            result = RunResult.model_validate(
                {
                    "run": effect.run,
                    "state": effect.state,
                    "outcome": effect.outcome,
                    "sentence": effect.sentence,
                    "points": effect.end - sum(after - first for first, after in gaps),
                    "gaps": gaps,
                    "cell": effect.cell,
                    "flagged": effect.flagged or bool(gaps) or bool(doubts),
                    "utc": self._clock.utc(),
                }
            )
            await self._store.finish_run(result)
        except (NoSuchRun, StoreConflict):
            pass  # it never came into the store, or has its result from before
        except StoreError as error:
            words = f"The result can't be stored: {error}."
            self._feed(events.NotStored(self._clock.monotonic(), effect.run, words, isinstance(error, StoreFull)))
            return
        self._feed(events.Sealed(self._clock.monotonic(), effect.run))

    async def unpublished(self) -> int:
        """Points stored and not yet taken by the broker."""
        waiting = [each for each in await self._store.unpublished() if each.instrument == self._instrument]
        return sum(each.stored - each.points for each in waiting if each.points is not None)
