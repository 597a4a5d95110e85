"""The durable store as the daemon's event loop sees it: one writer thread behind futures, reads beside it."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Collection, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

from luggin.daemon.store import takeover
from luggin.daemon.store.archive import ANY, Archive, open_store
from luggin.daemon.store.codec import layout_of
from luggin.daemon.store.disk import Disk
from luggin.daemon.store.evaluations import FAILED
from luggin.daemon.store.integrity import verify
from luggin.daemon.store.ledger import Ledger, Note
from luggin.daemon.store.locate import MOST_INDEX
from luggin.daemon.store.lock import exclusive
from luggin.daemon.store.publication import outstanding, unpublished_points
from luggin.daemon.store.records import (
    Anchor,
    Deletion,
    EvaluationSummary,
    LogEntry,
    Outstanding,
    RunSummary,
    RunTexts,
    StoreState,
    Stream,
)
from luggin.daemon.store.search import Wanted
from luggin.daemon.store.space import check, most_points
from luggin.daemon.store.writer import Job, Writer
from luggin.protocol.payloads import MOST_POINTS_ASKED, Evaluation, RunEvent, RunHeader, RunResult
from luggin.protocol.points import Batch

RESERVE = 1024 * 1024
P = ParamSpec("P")
Answer = TypeVar("Answer")


class Store:
    """The store of one daemon, all instruments together.

    Methods that return a future queue their work at once, in the order of the calls; the future is done when the work
    is durable.  A future may be left alone: its error is then only visible in `state`.
    """

    def __init__(
        self,
        path: Path | str,
        interval: float,
        slow_interval: float,
        largest: int | None,
        reserve: int,
        utc: Callable[[], float],
    ) -> None:
        self._path = Path(path).absolute()
        self._largest = largest
        self._reserve = reserve
        self._utc = utc
        self._disk = Disk(self._path, largest, reserve, utc)
        self._writer = Writer(self._disk, interval, slow_interval, asyncio.get_running_loop(), self._committed)
        self._reader = ThreadPoolExecutor(1, "store-reader")
        self._archive: Archive | None = None
        self._beginning = asyncio.Lock()
        self._changed = asyncio.Event()
        self._serial = 0
        self._state = StoreState.OK

    @classmethod
    @asynccontextmanager
    async def open(
        cls,
        path: Path | str,
        *,
        interval: float = 0.25,
        slow_interval: float = 1.0,
        largest: int | None = None,
        reserve: int = RESERVE,
        utc: Callable[[], float] = time.time,
    ) -> AsyncIterator["Store"]:
        """Open or create the store at `path` for writing; leaving the context commits what is queued.

        What is queued is committed `interval` s after the first of it, or `slow_interval` s below 10 points/s.
        `largest` bounds the size of the database in bytes; `reserve` bytes are set aside for closing events on a full
        disk.  Raises StoreInUse, StoreVersion, StoreFault.
        """
        store = cls(path, interval, slow_interval, largest, reserve, utc)
        with exclusive(store._path):
            await store._start()
            try:
                yield store
            finally:
                await store._close()

    # Writing

    async def check_space(self, points: int, columns: Iterable[str]) -> None:
        """Raise StoreFull unless `points` more points of these columns fit beside what unfinished runs may need."""
        await self._read(self._check_space, points, tuple(columns))

    async def begin_run(self, header: RunHeader) -> None:
        """Make a new run durable at once.  Raises StoreFull when its bound of points does not fit, StoreConflict."""
        async with self._beginning:
            await self._read(self._check_space, most_points(header), tuple(header.columns))
            await self._submit(lambda ledger: ledger.begin(header), urgent=True, needs_room=True)

    def put(self, batch: Batch) -> asyncio.Future[int]:
        """Queue points.  Done when they are durable; the result is the index up to which the instrument may forget
        (after the last contiguous durable point of the run).

        What is stored already is trimmed by index; a hole before the batch is noted as an event of kind `gap`, and its
        closing by a late batch as `gap-closed`.  Fails with StoreFull, StoreFault, NoSuchRun.  Raises ValueError at
        once for a batch that can't be stored: an impossible index, columns that are no numbers.
        """
        if batch.first < 0 or batch.after > MOST_INDEX:
            raise ValueError(f"batch of run {batch.run}: first = {batch.first} is no index of a point")
        layout_of(batch.columns)
        return self._submit(batch, needs_room=True)

    def event(
        self,
        run: str | None,
        instrument: str | None,
        kind: str,
        sentence: str,
        data: Mapping[str, Any] | None = None,
        *,
        urgent: bool = False,
    ) -> asyncio.Future[int]:
        """Append to the run's events or, with `run` None, to the log of the instrument, or of the node when that is
        None too.  The result is the event's number.  `urgent` commits at once."""
        note = Note(run, instrument, kind, sentence, dict(data or {}))
        return self._submit(lambda ledger: ledger.append(note), urgent=urgent)

    def attest(
        self, instrument: str, run: str | None, person: str, statement: str, asked_by: str, verified: bool
    ) -> asyncio.Future[int]:
        """Record, at once, that a named person states that the instrument's cell is off: an event of kind `attested`
        in the instrument's log and, with a run, in that run's events.  The result is its number in the log."""
        data = {"person": person, "statement": statement, "asked_by": asked_by, "verified": verified}
        sentence = f"{person} states that the cell of {instrument} is off: {statement}"
        scopes = [None] if run is None else [run, None]
        notes = [Note(scope, instrument, "attested", sentence, data) for scope in scopes]
        return self._submit(lambda ledger: [ledger.append(note) for note in notes][-1], urgent=True)

    def anchor(
        self,
        instrument: str,
        run: str | None,
        boot: str,
        monotonic: float,
        utc: float,
        synchronised: bool,
        instrument_time: float,
        run_time: float | None = None,
    ) -> asyncio.Future[None]:
        """Store one moment as seen by all clocks, see records.Anchor."""
        anchor = Anchor(instrument, run, boot, monotonic, utc, synchronised, instrument_time, run_time)
        return self._submit(lambda ledger: ledger.anchor(anchor))

    async def finish_run(self, result: RunResult) -> None:
        """Seal the run's points and make its result durable at once.  Saying the same again changes nothing; another
        result for a finished run raises StoreConflict."""
        await self._submit(lambda _: None, urgent=True)
        seal = await asyncio.to_thread(self._apart, Archive.digest, result.run)
        await self._submit(lambda ledger: ledger.finish(result, seal), urgent=True)

    async def add_evaluation(self, evaluation: Evaluation) -> None:
        """Make an evaluation durable at once, with an event of kind `evaluated` in the chain of each of its runs or,
        without runs, in the log of the instrument that it tells of, or of the node.

        Saying the same again changes nothing; another one of the same name raises StoreConflict.  Raises StoreFull,
        NoSuchRun when none of its runs is stored.
        """
        await self._submit(lambda ledger: ledger.evaluate(evaluation), urgent=True, needs_room=True)

    async def evaluated(self, run: str, failures: Mapping[str, str] | None = None) -> None:
        """The evaluation that follows a run is done with.  `failures`, kind to sentence, are told in its events."""
        notes = [
            Note(run, None, FAILED, f"{kind}: {sentence}", {"kind": kind})
            for kind, sentence in (failures or {}).items()
        ]

        def work(ledger: Ledger) -> None:
            for note in notes:
                ledger.append(note)
            ledger.evaluated(run)

        await self._submit(work, urgent=bool(notes))

    async def delete_run(self, run: str, asked_by: str, reason: str) -> None:
        """Count a run that has ended as deleted, with an event in the node's log.  Raises StoreConflict, NoSuchRun."""
        await self._submit(lambda ledger: ledger.delete(run, asked_by, reason), urgent=True)

    async def restore_run(self, run: str, asked_by: str) -> None:
        """Take a deletion back, with an event in the node's log.  Raises StoreConflict, NoSuchRun."""
        await self._submit(lambda ledger: ledger.restore(run, asked_by), urgent=True)

    async def purge_run(self, run: str, asked_by: str) -> None:
        """Take a deleted run out of the file for good; the node's log keeps its hashes.

        Points of others are stored in between.  Raises StoreConflict, NoSuchRun.
        """
        await self._submit(lambda ledger: ledger.begin_purge(run, asked_by), urgent=True)
        while await self._submit(lambda ledger: ledger.purge_some(run), urgent=True):
            pass

    async def take_over(self, source: Path, run: str, by: str) -> bool:
        """Take a run that has ended out of another store, with its texts, hashes, points and evaluations; whether
        anything of it was new.

        What it has more than the same run here is added; one that is otherwise raises StoreConflict.  The points are
        not checked: verify the source before.  Raises StoreFull, NoSuchRun.
        """
        whole = await asyncio.to_thread(takeover.gather, source, run)
        await self._read(self._check_space, whole.stored.count, tuple(whole.header.columns))
        utc = self._utc()
        if not await self._submit(lambda ledger: takeover.begin(ledger, whole, by, utc), urgent=True, needs_room=True):
            return False
        pieces = takeover.slices(source, whole)
        while batches := await asyncio.to_thread(next, pieces, None):
            work = partial(Ledger.store, run=run, batches=batches, telling=False)
            await self._submit(work, urgent=True, needs_room=True)
        note = takeover.note(whole, by)
        await self._submit(lambda ledger: takeover.end(ledger, whole, note), urgent=True)
        return True

    # Reading: each call is one short read of what is committed

    async def runs(
        self, limit: int = 50, before: str = "", deleted: bool = False, wanted: Wanted = ANY
    ) -> list[RunSummary]:
        """The newest of the wanted runs, newest first, started before the run `before` when that is given; deleted
        ones are left out, or are all that is told with `deleted`."""
        return await self._read(Archive.runs, limit, before, deleted, wanted)

    async def deletion(self, run: str) -> Deletion | None:
        """Who deleted the run, None while nobody has."""
        return await self._read(Archive.deletion, run)

    async def newest_entry(self, instrument: str, *kinds: str) -> LogEntry | None:
        """The newest entry of these kinds in the instrument's log."""
        return await self._read(Archive.newest_entry, instrument, *kinds)

    async def header(self, run: str) -> RunHeader:
        """Raises NoSuchRun, as all that follow do."""
        return await self._read(Archive.header, run)

    async def result(self, run: str) -> RunResult | None:
        return await self._read(Archive.result, run)

    async def events(self, run: str, first: int = 0, limit: int | None = None) -> list[RunEvent]:
        """The run's events in order, from number `first` on."""
        return await self._read(Archive.events, run, first, limit)

    async def log(self, instrument: str | None, first: int = 0, limit: int | None = None) -> list[LogEntry]:
        """The log of an instrument, or of the node for None."""
        return await self._read(Archive.log, instrument, first, limit)

    async def points(
        self, run: str, first: int = 0, after: int | None = None, limit: int = MOST_POINTS_ASKED
    ) -> list[Batch]:
        """Stored points with indices in [first, after) in order, at most `limit` points; holes are left out."""
        return await self._read(Archive.points, run, first, after, limit)

    async def gaps(self, run: str, end: int = 0) -> list[tuple[int, int]]:
        """Index ranges [first, after) that are missing between 0 and the last point known of, at least up to `end`."""
        return await self._read(Archive.gaps, run, end)

    async def stored_after(self, run: str) -> int:
        """The index after the last contiguous durable point: what the instrument may forget, where a replay starts."""
        return await self._read(Archive.stored_after, run)

    async def end(self, run: str) -> int:
        """The index after the newest durable point."""
        return await self._read(Archive.end, run)

    async def texts(self, run: str) -> RunTexts:
        """Header, events, result and seal as they are stored and hashed."""
        return await self._read(Archive.texts, run)

    async def anchors(self, run: str) -> list[Anchor]:
        return await self._read(Archive.anchors, run)

    async def unfinished(self) -> list[str]:
        """Runs without a result, in the order in which they started."""
        return await self._read(Archive.unfinished)

    async def evaluations(
        self,
        kind: str | None = None,
        subject: str | None = None,
        run: str | None = None,
        limit: int = 50,
        before: str = "",
    ) -> list[EvaluationSummary]:
        """The newest evaluations of this kind, subject and run, newest first; see Archive.  Raises NoSuchEvaluation."""
        return await self._read(Archive.evaluations, kind, subject, run, limit, before)

    async def evaluation(self, name: str) -> Evaluation:
        """The whole of an evaluation.  Raises NoSuchEvaluation."""
        return await self._read(Archive.evaluation, name)

    async def evaluation_text(self, name: str) -> str:
        """The same as it is stored and hashed: canonical JSON."""
        return await self._read(Archive.evaluation_text, name)

    async def evaluations_of(self, run: str, first: int = 0, limit: int = 100) -> list[tuple[int, Evaluation]]:
        """(position, evaluation) of a run in the order in which they were stored, from position `first` on."""
        return await self._read(Archive.evaluations_of, run, first, limit)

    async def unevaluated(self) -> list[str]:
        """Runs that have ended and wait for the evaluation that follows a run."""
        return await self._read(Archive.unevaluated)

    async def last_boot(self, instrument: str) -> str | None:
        """The boot id last seen of this instrument."""
        return await self._read(Archive.last_boot, instrument)

    async def verify(self, run: str) -> list[str]:
        """Check the run's hash chain, seal and batches; one sentence for each thing found wrong."""
        return await asyncio.to_thread(self._apart, verify, run)

    # Publication

    async def unpublished(self, limit: int = 64, ahead: Collection[str] = ()) -> list[Outstanding]:
        """Runs with something committed and unpublished: unfinished ones and those named in `ahead` first, then the
        others, each in the order of their start."""
        marks = self._writer.marks.all()
        return await self._read(lambda archive: outstanding(archive.connection, marks, limit, ahead))

    async def unpublished_points(self, run: str, limit: int = MOST_POINTS_ASKED) -> list[Batch]:
        """The run's first unpublished points, at most `limit`, late fillings of holes included."""
        marks = self._writer.marks.all()
        return await self._read(lambda archive: unpublished_points(archive, marks, run, limit))

    def advance(self, run: str, stream: Stream, first: int, after: int) -> None:
        """Note that the broker has taken [first, after) of a stream: indices of points, numbers of events, [0, 1) of
        header and result, positions of evaluations.  Kept lazily: after a crash the last few seconds are published
        again."""
        self._writer.mark(run, stream, first, after)

    async def changed(self, serial: int) -> int:
        """Wait until `serial` is no longer the newest; returns the newest, to ask with next time (begin with -1)."""
        while self._serial == serial:
            await self._changed.wait()
        return self._serial

    # State

    @property
    def path(self) -> Path:
        return self._path

    def stuck(self) -> str:
        """Why nothing is written any more; empty when well, on a full or failing disk too."""
        return self._writer.stuck()

    @property
    def serial(self) -> int:
        """Counts commits and changes of `state`."""
        return self._serial

    @property
    def state(self) -> StoreState:
        return self._state

    # Inside

    async def _start(self) -> None:
        room = await asyncio.to_thread(self._disk.open)
        self._state = StoreState.OK if room else StoreState.FULL
        self._writer.start(room)
        self._archive = await asyncio.to_thread(open_store, self._path)

    async def _close(self) -> None:
        await asyncio.to_thread(self._reader.shutdown)
        if self._archive is not None:
            self._archive.close()
        await asyncio.to_thread(self._writer.close)

    def _committed(self, state: StoreState) -> None:
        self._serial += 1
        self._state = state
        self._changed.set()
        self._changed = asyncio.Event()

    def _submit(
        self, work: Batch | Callable[[Ledger], Answer], *, urgent: bool = False, needs_room: bool = False
    ) -> asyncio.Future[Any]:
        future: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        future.add_done_callback(_seen)
        self._writer.submit(Job(future, work, urgent, needs_room))
        return future

    async def _read(self, question: Callable[Concatenate[Archive, P], Answer], *args: P.args, **_: P.kwargs) -> Answer:
        assert self._archive is not None
        return await asyncio.get_running_loop().run_in_executor(self._reader, partial(question, self._archive, *args))

    def _apart(self, question: Callable[[Archive, str], Answer], run: str) -> Answer:
        """A question that may take long, on a connection of its own so that nobody waits for it."""
        with open_store(self._path) as archive:
            return question(archive, run)

    def _check_space(self, archive: Archive, points: int, columns: tuple[str, ...]) -> None:
        check(self._path, archive, points, columns, self._reserve, self._largest)


def _seen(future: asyncio.Future[Any]) -> None:
    """Whoever leaves a future alone meets its error in the store's state; asyncio need not complain."""
    if not future.cancelled():
        future.exception()
