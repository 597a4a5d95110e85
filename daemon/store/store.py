"""The durable store as the daemon's event loop sees it: one writer thread behind futures, reads beside it."""

import asyncio
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from typing import Any

from luggin.daemon.store.records import Anchor, LogEntry, Outstanding, RunSummary, StoreState, Stream
from luggin.protocol.payloads import MOST_POINTS_ASKED, RunEvent, RunHeader, RunResult
from luggin.protocol.points import Batch

RESERVE = 4 * 1024 * 1024


class Store:
    """The store of one daemon, all instruments together.

    Methods that return a future queue their work at once, in the order of the calls; the future is done when the work
    is durable.  A future may be left alone: its error is then only visible in `state`.
    """

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        interval: float = 0.25,
        slow_interval: float = 1.0,
        largest: int | None = None,
        reserve: int = RESERVE,
        utc: Callable[[], float] = time.time,
    ) -> AbstractAsyncContextManager["Store"]:
        """Open or create the store at `path` for writing; leaving the context commits what is queued.

        What is queued is committed `interval` s after the first of it, or `slow_interval` s below 10 points/s.
        `largest` bounds the size of the database in bytes; `reserve` bytes are set aside for closing events on a full
        disk.  Raises StoreInUse, StoreVersion, StoreFault.
        """
        raise NotImplementedError

    # Writing

    async def check_space(self, points: int, columns: Iterable[str]) -> None:
        """Raise StoreFull unless `points` more points of these columns fit beside what unfinished runs may need."""
        raise NotImplementedError

    async def begin_run(self, header: RunHeader) -> None:
        """Make a new run durable at once.  Raises StoreFull when its bound of points does not fit, StoreConflict."""
        raise NotImplementedError

    def put(self, batch: Batch) -> asyncio.Future[int]:
        """Queue points.  Done when they are durable; the result is the index up to which the instrument may forget
        (after the last contiguous durable point of the run).

        What is stored already is trimmed by index; a hole before the batch is noted as an event of kind `gap`, and its
        closing by a late batch as `gap-closed`.  Fails with StoreFull, StoreFault, NoSuchRun.
        """
        raise NotImplementedError

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
        raise NotImplementedError

    def attest(
        self, instrument: str, run: str | None, person: str, statement: str, asked_by: str, verified: bool
    ) -> asyncio.Future[int]:
        """Record, at once, that a named person states that the instrument's cell is off (event kind `attested`)."""
        raise NotImplementedError

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
        raise NotImplementedError

    async def finish_run(self, result: RunResult) -> None:
        """Seal the run's points and make its result durable at once.  Saying the same again changes nothing; another
        result for a finished run raises StoreConflict."""
        raise NotImplementedError

    # Reading: each call is one short read of what is committed

    async def runs(self, limit: int = 50, before: str = "") -> list[RunSummary]:
        """The newest runs, newest first, started before the run `before` when that is given."""
        raise NotImplementedError

    async def header(self, run: str) -> RunHeader:
        """Raises NoSuchRun, as all that follow do."""
        raise NotImplementedError

    async def result(self, run: str) -> RunResult | None:
        raise NotImplementedError

    async def events(self, run: str, first: int = 0, limit: int | None = None) -> list[RunEvent]:
        """The run's events in order, from number `first` on."""
        raise NotImplementedError

    async def log(self, instrument: str | None, first: int = 0, limit: int | None = None) -> list[LogEntry]:
        """The log of an instrument, or of the node for None."""
        raise NotImplementedError

    async def points(
        self, run: str, first: int = 0, after: int | None = None, limit: int = MOST_POINTS_ASKED
    ) -> list[Batch]:
        """Stored points with indices in [first, after) in order, at most `limit` points; holes are left out."""
        raise NotImplementedError

    async def gaps(self, run: str) -> list[tuple[int, int]]:
        """Index ranges [first, after) that are missing between 0 and the last point known of."""
        raise NotImplementedError

    async def stored_after(self, run: str) -> int:
        """The index after the last contiguous durable point: what the instrument may forget, where a replay starts."""
        raise NotImplementedError

    async def anchors(self, run: str) -> list[Anchor]:
        raise NotImplementedError

    async def unfinished(self) -> list[str]:
        """Runs without a result, in the order in which they started."""
        raise NotImplementedError

    async def last_boot(self, instrument: str) -> str | None:
        """The boot id last seen of this instrument."""
        raise NotImplementedError

    async def verify(self, run: str) -> list[str]:
        """Check the run's hash chain, seal and batches; one sentence for each thing found wrong."""
        raise NotImplementedError

    # Publication

    async def unpublished(self, limit: int = 64) -> list[Outstanding]:
        """Runs with something committed and unpublished: unfinished ones first, then in the order of their start."""
        raise NotImplementedError

    async def unpublished_points(self, run: str, limit: int = MOST_POINTS_ASKED) -> list[Batch]:
        """The run's first unpublished points, at most `limit`, late fillings of holes included."""
        raise NotImplementedError

    def advance(self, run: str, stream: Stream, first: int, after: int) -> None:
        """Note that the broker has taken [first, after) of a stream: indices of points, numbers of events, [0, 1) of
        header and result.  Kept lazily: after a crash the last few seconds are published again."""
        raise NotImplementedError

    async def changed(self, serial: int) -> int:
        """Wait until `serial` is no longer the newest; returns the newest, to ask with next time (begin with -1)."""
        raise NotImplementedError

    # State

    @property
    def serial(self) -> int:
        """Counts commits and changes of `state`."""
        raise NotImplementedError

    @property
    def state(self) -> StoreState:
        raise NotImplementedError
