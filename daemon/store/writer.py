"""The one thread that writes: it gathers what all instruments bring and commits it together."""

import asyncio
import math
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any

import structlog

from luggin.daemon.store.disk import Disk
from luggin.daemon.store.errors import NoSuchRun, StoreConflict, StoreError, StoreFault, StoreFull
from luggin.daemon.store.ledger import Ledger
from luggin.daemon.store.publication import Marks
from luggin.daemon.store.records import StoreState, Stream
from luggin.protocol.points import Batch

SLOW_RATE = 10.0
"""Points per second below which commits come at the slow interval."""
MARKS_INTERVAL = 5.0
RETRY_INTERVAL = 5.0
STUCK_AFTER = 120.0
"""Seconds that one commit may take: a card that cleans up may need many, and instruments keep their points so long."""
MOST_PENDING = 2_000_000
"""Points that may wait for a stalled disk before new ones are turned away."""

_log = structlog.get_logger(__name__)


@dataclass(eq=False)
class Job:
    """Work for one commit: points, or anything else as a function of the ledger.

    Points come again from the instrument when they are refused, everything else exists only here and is tried a second
    time.  `needs_room` work is refused on a full disk, the rest may use the reserve.
    """

    future: asyncio.Future[Any]
    work: Batch | Callable[[Ledger], object]
    urgent: bool = False
    needs_room: bool = False

    @property
    def is_points(self) -> bool:
        return isinstance(self.work, Batch)


Answers = list[tuple[asyncio.Future[Any], object]]


class Writer:
    """`committed` is called in the event loop after each commit and each change of state."""

    def __init__(
        self,
        disk: Disk,
        interval: float,
        slow_interval: float,
        loop: asyncio.AbstractEventLoop,
        committed: Callable[[StoreState], None],
    ) -> None:
        self._disk = disk
        self._interval = interval
        self._slow_interval = slow_interval
        self._loop = loop
        self._committed = committed
        self._wake = threading.Condition()
        self._queue: list[Job] = []
        self._since = 0.0
        self._busy_since: float | None = None
        self._points = 0
        self._urgent = False
        self._closing = False
        self._marks_due = math.inf
        self._retry_due = math.inf
        self._state = StoreState.OK
        self.marks = Marks()
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)

    def start(self, room: bool) -> None:
        """Begin to write on an open disk; `room` says whether there is room for points."""
        self._enter(StoreState.OK if room else StoreState.FULL)
        self._thread.start()

    def close(self) -> None:
        """Commit what is queued and end.  Blocks."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join()

    @property
    def state(self) -> StoreState:
        return self._state

    def stuck(self) -> str:
        """Why nothing is written any more; empty when well.  A disk that fails or is full is another matter."""
        if not self._thread.is_alive():
            return "the thread that writes has ended"
        started = self._busy_since
        late = 0.0 if started is None else time.monotonic() - started
        return f"the disk has been at one commit for {late:.0f} s" if late > STUCK_AFTER else ""

    def submit(self, job: Job) -> None:
        """Queue a job; its future is answered in the event loop."""
        count = job.work.count if isinstance(job.work, Batch) else 0
        with self._wake:
            if self._closing:
                job.future.set_exception(StoreFault("the store is closed"))
                return
            if count and self._points + count > MOST_PENDING:
                job.future.set_exception(StoreFault(f"the disk can't keep up: {self._points} points wait for it"))
                return
            if not self._queue:
                self._since = time.monotonic()
            self._queue.append(job)
            self._points += count
            self._urgent = self._urgent or job.urgent
            if len(self._queue) == 1 or job.urgent:
                self._wake.notify()

    def mark(self, run: str, stream: Stream, first: int, after: int) -> None:
        """Note what the broker has taken; written with a later commit."""
        self.marks.note(run, stream, first, after)
        with self._wake:
            if self._marks_due == math.inf:
                self._marks_due = time.monotonic() + MARKS_INTERVAL
                self._wake.notify()

    def _run(self) -> None:
        closing = False
        while not closing:
            jobs, marks, closing = self._collect()
            self._busy_since = time.monotonic()
            try:
                self._commit(jobs, marks)
            except Exception as error:
                # A mistake in this program must not end the writer of all instruments.
                _log.exception("the store's writer failed")
                self._refuse(jobs, self._failed(error))
            self._busy_since = None
        self._disk.close()

    def _collect(self) -> tuple[list[Job], bool, bool]:
        """Wait until something is due: the jobs, whether the marks are, whether this is the end."""
        with self._wake:
            while True:
                now = time.monotonic()
                due = min(self._jobs_due(), self._marks_due, self._retry_due)
                if due <= now or self._closing:
                    break
                self._wake.wait(None if due == math.inf else due - now)
            jobs, self._queue = self._queue, []
            marks = self._marks_due <= now or (self._closing and self._marks_due < math.inf)
            if marks:
                self._marks_due = math.inf
            self._points, self._urgent = 0, False
            return jobs, marks, self._closing

    def _jobs_due(self) -> float:
        if not self._queue:
            return math.inf
        if self._urgent:
            return 0.0
        return self._since + commit_delay(self._points, self._interval, self._slow_interval)

    def _commit(self, jobs: list[Job], marks: bool) -> None:
        room = self._state is not StoreState.FULL or self._room_again(jobs)
        if not room:
            self._refuse([job for job in jobs if job.needs_room], StoreFull("the disk is full; make room"))
            jobs = [job for job in jobs if not job.needs_room]
            if marks:
                self._postpone_marks()
                marks = False
        if not jobs and not marks:
            return
        error = self._attempt(jobs, marks, room)
        if error is None:
            return
        refusal = self._failed(error)
        full = isinstance(refusal, StoreFull)
        refused = [job for job in jobs if (job.needs_room if full else job.is_points)]
        self._refuse(refused, refusal)
        again = [job for job in jobs if job not in refused]
        for job in again:
            # One by one, so that none suffers for what another one does.
            error = self._attempt([job], False, not full)
            if error is not None:
                self._refuse([job], self._failed(error))
        if marks:
            self._postpone_marks()

    def _postpone_marks(self) -> None:
        with self._wake:
            self._marks_due = time.monotonic() + RETRY_INTERVAL

    def _room_again(self, jobs: Iterable[Job]) -> bool:
        """On a full disk: whether points may be tried, or are known to fit when nobody brings any."""
        asked = any(job.needs_room and not job.is_points for job in jobs)
        if time.monotonic() < self._retry_due and not asked:
            return False
        self._retry_due = time.monotonic() + RETRY_INTERVAL
        try:
            room = self._disk.make_room()
        except Exception as error:
            self._failed(error)
            return False
        if room and not any(job.needs_room for job in jobs):
            self._enter(StoreState.OK)
            self._answer([])
        return room

    def _attempt(self, jobs: list[Job], marks: bool, room: bool) -> Exception | None:
        """One transaction with all jobs; answers them, or returns what went wrong with the disk."""
        taken = self.marks.take() if marks else {}

        def work(ledger: Ledger) -> Answers:
            answers = _apply(ledger, jobs)
            ledger.publish(taken)
            return answers

        try:
            answers = self._disk.transaction(work, trusting=any(job.is_points for job in jobs))
        except Exception as error:
            return error
        if marks:
            self.marks.settle()
        if self._state is StoreState.FAULT or (self._state is StoreState.FULL and room):
            self._enter(StoreState.OK)
        self._answer(answers)
        return None

    def _failed(self, error: Exception) -> StoreFull | StoreFault:
        refusal = self._disk.explain(error)
        state = StoreState.FULL if isinstance(refusal, StoreFull) else StoreState.FAULT
        if state is not self._state:
            mistake = None if isinstance(error, StoreError | sqlite3.Error | OSError) else error
            _log.error("points can't be stored", reason=str(refusal), exc_info=mistake)
        self._enter(state)
        return refusal

    def _enter(self, state: StoreState) -> None:
        self._state = state
        self._retry_due = time.monotonic() + RETRY_INTERVAL if state is StoreState.FULL else math.inf

    def _refuse(self, jobs: Iterable[Job], error: StoreError) -> None:
        self._answer([(job.future, error) for job in jobs])

    def _answer(self, answers: Answers) -> None:
        # A loop that was closed without closing the store has nobody left to answer.
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(_deliver, answers, self._committed, self._state)


def commit_delay(points: int, interval: float, slow_interval: float) -> float:
    """Seconds from the first job of a commit to the commit, when so many points have come since."""
    return interval if points >= SLOW_RATE * interval else slow_interval


def _deliver(answers: Answers, committed: Callable[[StoreState], None], state: StoreState) -> None:
    committed(state)
    for future, answer in answers:
        if future.done():
            continue
        if isinstance(answer, Exception):
            future.set_exception(answer)
        else:
            future.set_result(answer)


def _apply(ledger: Ledger, jobs: Iterable[Job]) -> Answers:
    """Carry out jobs in order; points of a run that come one after the other are stored together."""
    answers: Answers = []
    waiting: dict[str, list[tuple[asyncio.Future[Any], Batch]]] = {}
    for job in jobs:
        if isinstance(job.work, Batch):
            waiting.setdefault(job.work.run, []).append((job.future, job.work))
            continue
        answers += _store(ledger, waiting)
        waiting = {}
        answers.append((job.future, _answered(partial(job.work, ledger))))
    return answers + _store(ledger, waiting)


def _store(ledger: Ledger, waiting: dict[str, list[tuple[asyncio.Future[Any], Batch]]]) -> Answers:
    answers: Answers = []
    for run, group in waiting.items():
        answer = _answered(partial(ledger.store, run, [batch for _, batch in group]))
        answers += [(future, answer) for future, _ in group]
    return answers


def _answered(work: Callable[[], object]) -> object:
    """What the work gives, or why it can't be done, which is its own matter and no failure of the others."""
    try:
        return work()
    except (NoSuchRun, StoreConflict) as refusal:
        return refusal
