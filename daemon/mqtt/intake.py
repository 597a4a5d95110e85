"""Commands from the broker to the desk, through bounded lanes.

`receive` is called from the connection for every message and only sorts: what doesn't fit is dropped there, so a flood
costs neither memory nor, for stop and abort, time: those have lanes of their own beside every instrument's ordinary
one, and a full lane of aborts means that an abort is being carried out.  Lanes outlive the connection: a command that
was begun is ended, and its reply goes out with the next connection.
"""

import asyncio
from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass

import structlog

from luggin.daemon.desk import OFF_VERBS, Desk
from luggin.protocol.payloads import MOST_COMMAND_BYTES, STORE_COMMANDS, Reply
from luggin.protocol.topics import STORE, CommandTopic, read_command

log = structlog.get_logger(__name__)

MOST_WAITING = 32
MOST_WAITING_OF_A_CLIENT = 8
MOST_REPLIES = 128
_PACE = 0.005  # s; ordinary commands leave the processor to the measurement, however many come


@dataclass(frozen=True)
class _Waiting:
    topic: CommandTopic
    body: bytes
    verified: bool


class Outbox:
    """Replies that wait for the broker, and topics (without a reply) whose kept message it shall drop.

    When there are too many, the oldest go.
    """

    def __init__(self) -> None:
        self._entries: deque[tuple[str, Reply | None]] = deque(maxlen=MOST_REPLIES)
        self._some = asyncio.Event()

    def put(self, topic: str, reply: Reply | None) -> None:
        self._entries.append((topic, reply))
        self._some.set()

    async def oldest(self) -> tuple[str, Reply | None]:
        """Waits for an entry, which stays until `drop`."""
        while not self._entries:
            self._some.clear()
            await self._some.wait()
        return self._entries[0]

    def drop(self, entry: tuple[str, Reply | None]) -> None:
        if self._entries and self._entries[0] is entry:
            self._entries.popleft()


class Lane:
    """Commands that are carried out one after the other."""

    def __init__(self) -> None:
        self._waiting: asyncio.Queue[_Waiting] = asyncio.Queue(MOST_WAITING)
        self._by_client: Counter[str] = Counter()

    def put(self, command: _Waiting, most_of_a_client: int) -> bool:
        """Whether there was room."""
        client = command.topic.client
        if self._waiting.full() or self._by_client[client] >= most_of_a_client:
            return False
        self._by_client[client] += 1
        self._waiting.put_nowait(command)
        return True

    async def take(self) -> _Waiting:
        command = await self._waiting.get()
        self._by_client[command.topic.client] -= 1
        self._by_client += Counter()  # forget clients at zero
        return command


class Intake:
    """`verified` is what the present broker says of senders; `outbox` holds what to send back."""

    def __init__(self, desk: Desk, instruments: Iterable[str]) -> None:
        self._desk = desk
        self._lanes = {(STORE, verb): Lane() for verb in ("", *STORE_COMMANDS)}
        self._lanes |= {(name, verb): Lane() for name in instruments for verb in ("", *OFF_VERBS)}
        self._complaints: Counter[str] = Counter()
        self.verified = False
        self.outbox = Outbox()

    async def run(self) -> None:
        """Carry out what comes in; returns only by cancellation."""
        async with asyncio.TaskGroup() as group:
            for (name, verb), lane in self._lanes.items():
                group.create_task(self._work(lane, 0 if verb else _PACE), name=f"commands to {name} {verb}")

    def receive(self, topic: str, body: bytes, kept: bool) -> None:
        """Sort one message; returns at once and never raises.  `kept` means that the broker had it in store."""
        if not body:
            return  # an empty message is how a broker is told to forget one, by us too
        address = read_command(topic)
        if kept:
            self.outbox.put(topic, None)
            self._complain("refused a retained command, whatever it asks for, and cleared it", topic)
        elif address is None:
            self._complain("refused a malformed command topic", topic)
        elif not self._sort(_Waiting(address, body, self.verified)):
            self._complain("dropped a command: too many at once or too large", topic)

    def _sort(self, command: _Waiting) -> bool:
        """Whether there was room for it."""
        topic = command.topic
        if topic.verb in OFF_VERBS and (lane := self._lanes.get((topic.instrument, topic.verb))):
            if len(command.body) > MOST_COMMAND_BYTES:
                command = _Waiting(topic, b"?", command.verified)  # obeyed unread
            return lane.put(command, MOST_WAITING)
        if len(command.body) > MOST_COMMAND_BYTES:
            return False
        # What is meant for nobody is refused in the store's lane.
        slow = topic.instrument == STORE and topic.verb in STORE_COMMANDS  # questions need not wait for them
        lane = self._lanes.get((topic.instrument, topic.verb if slow else ""), self._lanes[STORE, ""])
        return lane.put(command, MOST_WAITING_OF_A_CLIENT)

    def _complain(self, what: str, topic: str) -> None:
        """The first, second, fourth, eighth ... time: a flood must not flood the log."""
        self._complaints[what] += 1
        if (times := self._complaints[what]) & (times - 1) == 0:
            log.warning(what, topic=topic[:400], times=times)

    async def _work(self, lane: Lane, pace: float) -> None:
        while True:
            command = await lane.take()
            answer = await self._desk.answer(command.topic, command.body, command.verified, "mqtt")
            if answer is not None and answer.to:
                self.outbox.put(answer.to, answer.reply)
            await asyncio.sleep(pace)
