"""Keeps one host of the link going over a byte stream: its tasks, its timer, the calls that wait for answers."""

import asyncio
import contextlib
import re
from collections import deque
from collections.abc import AsyncIterator, Iterable, Iterator

from luggin.drivers.errors import LinkLost, NoAnswer, ProtocolViolation, Refused
from luggin.drivers.stream import ByteStream
from luggin.protocol.instrument import Status
from luggin.protocol.link.arrivals import News
from luggin.protocol.link.host import Answered, Arrived, Event, Failed, Host, Lost, Opened, Phase
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.message import Answer, Request, Welcome
from luggin.protocol.points import Batch, join, joinable

MOST_WAITING = 65536
"""Points that wait to be taken; beyond that they are dropped here and fetched again later, answers still pass."""


class Exchange:
    """Owns the stream from `start` to `close`."""

    def __init__(self, stream: ByteStream, host: Host, address: str) -> None:
        self.host = host
        self._stream, self._address = stream, address
        self._loop = asyncio.get_running_loop()
        self._tasks: list[asyncio.Task[None]] = []
        self._timer: asyncio.TimerHandle | None = None
        self._to_send = asyncio.Event()
        self._answers: dict[int, asyncio.Future[Answer]] = {}
        self._welcome: Welcome | None = None
        self._news: deque[News] = deque()
        self._waiting = 0  # points among the news
        self._changed = asyncio.Event()  # a welcome, news, or the loss of the link
        self._lost: Lost | None = None

    def start(self) -> None:
        self._tasks = [
            self._loop.create_task(self._read(), name=f"read {self._address}"),
            self._loop.create_task(self._write(), name=f"write {self._address}"),
        ]

    async def close(self) -> None:
        """Stop everything and close the stream; every call that waits raises LinkLost.  Raises what a task raised."""
        self._take(self.host.lose("it was closed here"))
        for task in self._tasks:
            task.cancel()
        try:
            outcomes = await asyncio.gather(*self._tasks, return_exceptions=True)
        finally:
            if self._timer is not None:
                self._timer.cancel()
            await self._stream.close()
        for outcome in outcomes:
            if isinstance(outcome, Exception):
                raise outcome

    async def opened(self) -> Welcome:
        """The instrument's welcome."""
        while self._welcome is None:
            await self._change()
        return self._welcome

    async def ask(self, request: Request) -> Answer:
        """Send a request and wait for its answer.  Raises LinkLost, NoAnswer, and Refused for impossible fields."""
        self._require_link()
        name = re.sub("(?<=[a-z])(?=[A-Z])", " ", type(request).__name__).lower()
        try:
            ticket, events = self.host.request(request, self._loop.time())
        except MessageError as error:
            raise Refused(f"{self._address}: '{name}' can't be sent: {error}") from None
        answer: asyncio.Future[Answer] = self._loop.create_future()
        self._answers[ticket] = answer
        self._take(events)
        try:
            return await answer
        except _Unanswered as error:
            self._require_link()
            raise NoAnswer(f"{self._address}: whether '{name}' was carried out is not known: {error}") from None
        finally:
            del self._answers[ticket]
            self.host.withdraw(ticket)

    async def news(self) -> AsyncIterator[News]:
        """What arrived, batches that came together joined.  Raises LinkLost after the last of it."""
        while True:
            while not self._news:
                await self._change()
            yield self._next_news()

    def _next_news(self) -> News:
        """Take the next from the news, with all batches that continue it."""
        first = self._news.popleft()
        if not isinstance(first, Batch):
            return first
        group = [first]
        while self._news and isinstance(follower := self._news[0], Batch) and joinable(group[-1], follower):
            group.append(follower)
            self._news.popleft()
        joined = join(group)[0]
        was_full = self._waiting >= MOST_WAITING
        self._waiting -= joined.count
        if was_full and self._waiting < MOST_WAITING:
            self.host.resume(self._loop.time())
            self._to_send.set()
        return joined

    async def _change(self) -> None:
        self._require_link()
        self._changed.clear()
        await self._changed.wait()

    def _require_link(self) -> None:
        if self._lost is not None:
            kind = ProtocolViolation if self._lost.foreign else LinkLost
            raise kind(f"{self._address}: the link was lost: {self._lost.reason}")

    # Tasks and timer

    async def _read(self) -> None:
        with self._losing():
            while data := await self._stream.read():
                self._take(self.host.receive(data, self._loop.time()))
            self._take(self.host.lose("the other end closed it"))

    async def _write(self) -> None:
        with self._losing():
            while self.host.phase is not Phase.LOST:
                self._to_send.clear()
                while (frame := self.host.next_frame(self._loop.time())) is not None:
                    await self._stream.write(frame)
                due = self.host.next_send()
                alarm = None if due is None else self._loop.call_at(due, self._to_send.set)
                try:
                    await self._to_send.wait()
                finally:
                    if alarm is not None:
                        alarm.cancel()

    @contextlib.contextmanager
    def _losing(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            self._take(self.host.lose(error.strerror or str(error) or type(error).__name__))
        except Exception:
            self._take(self.host.lose("this program failed"))
            raise

    def _tick(self) -> None:
        self._timer = None
        self._take(self.host.tick(self._loop.time()))

    def _take(self, events: Iterable[Event]) -> None:
        """Deal with what the host said, then let tasks and timer go on from there."""
        for event in events:
            match event:
                case Arrived(news):
                    self._arrived(news)
                case Answered(ticket, answer):
                    if ticket in self._answers and not self._answers[ticket].done():
                        self._answers[ticket].set_result(answer)
                case Failed(ticket, failure):
                    if ticket in self._answers and not self._answers[ticket].done():
                        self._answers[ticket].set_exception(_Unanswered(failure.value))
                case Opened(welcome):
                    self._welcome = welcome
                    self._changed.set()
                case Lost():
                    self._lost = event
                    self._changed.set()
        self._to_send.set()
        deadline = self.host.next_tick()
        if deadline is not None and (self._timer is None or self._timer.when() > deadline):
            if self._timer is not None:
                self._timer.cancel()
            self._timer = self._loop.call_at(deadline, self._tick)

    def _arrived(self, news: News) -> None:
        if isinstance(news, Status) and len(self._news) > MOST_WAITING and isinstance(self._news[-1], Status):
            self._news.pop()  # nobody listens: of statuses only the newest is kept
        self._news.append(news)
        self._changed.set()
        if isinstance(news, Batch):
            self._waiting += news.count
            if self._waiting >= MOST_WAITING:
                self.host.pause()


class _Unanswered(Exception):
    """What a call that waits finds instead of an answer."""
