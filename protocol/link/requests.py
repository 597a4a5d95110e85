"""The host's book of requests: which go on the line next, which are repeated, answered, overtaken or overdue.

Knows neither what answers mean nor what the time is: every call is told.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

from luggin.protocol.link import codec, frame
from luggin.protocol.link.message import ORDERED, Arm, CellOff, KeepAlive, Request

MOST_UNANSWERED = 4
"""Requests on the line without an answer; KeepAlive and CellOff come on top."""


@dataclass(frozen=True)
class Timing:
    """Seconds of patience: until a request is repeated, given up, the status asked for, the link counted as lost."""

    repeat: float = 0.3
    repeat_cell_off: float = 0.1
    answer: float = 3.0
    arm_answer: float = 6.0
    status: float = 1.0
    silence: float = 5.0

    def on_line(self, bytes_per_second: float) -> "Timing":
        """The same with repetitions that leave a slow line the time for two of the longest frames."""
        slow = 2 * frame.LARGEST_FRAME / bytes_per_second
        return replace(self, repeat=self.repeat + slow, repeat_cell_off=self.repeat_cell_off + slow)


class Failure(StrEnum):
    """Why a request will get no answer."""

    NO_ANSWER = "no answer in time"
    OVERTAKEN = "overtaken by cell-off"
    LINK_LOST = "the link was lost"


@dataclass
class _Entry:
    ticket: int
    message: Request
    expires: float
    due: float  # when it goes on the line, for the first time or again
    frame: bytes | None = None  # set once it was on the line

    @property
    def beside(self) -> bool:
        """Whether it goes beside the requests that wait for each other."""
        return isinstance(self.message, CellOff | KeepAlive)

    @property
    def rank(self) -> int:
        if isinstance(self.message, CellOff):
            return 0
        if isinstance(self.message, KeepAlive):
            return 1
        return 2 if self.frame else 3


class Requests:
    def __init__(self, timing: Timing) -> None:
        self._timing = timing
        self._entries: dict[int, _Entry] = {}
        self._tickets: dict[int, int] = {}  # sequence number -> ticket
        self._last_ticket = self._last_sequence = 0

    def add(self, message: Request, now: float) -> int:
        """Take a request, its sequence number still open; returns the ticket that answer or failure will carry.

        Raises ValueError for fields that don't fit the message.
        """
        codec.encode(replace(message, sequence=self._last_sequence + 1))
        self._last_ticket += 1
        patience = self._timing.arm_answer if isinstance(message, Arm) else self._timing.answer
        self._entries[self._last_ticket] = _Entry(self._last_ticket, message, now + patience, now)
        return self._last_ticket

    def overtaken(self) -> list[int]:
        """Forget what must not be executed after a cell-off; returns the tickets."""
        tickets = [entry.ticket for entry in self._entries.values() if isinstance(entry.message, ORDERED)]
        for ticket in tickets:
            self.forget(ticket)
        return tickets

    def next_frame(self, now: float) -> bytes | None:
        """The frame that goes on the line now: cell-off before keep-alive before all else."""
        due = [entry for entry in self._ready() if entry.due <= now]
        if not due:
            return None
        entry = min(due, key=lambda each: (each.rank, each.ticket))
        urgent = isinstance(entry.message, CellOff)
        entry.due = now + (self._timing.repeat_cell_off if urgent else self._timing.repeat)
        if entry.frame is None:
            self._last_sequence += 1
            entry.message = replace(entry.message, sequence=self._last_sequence)
            entry.frame = frame.encode(codec.encode(entry.message))
            self._tickets[self._last_sequence] = entry.ticket
        return entry.frame

    def answered(self, sequence: int) -> tuple[int, Request] | None:
        """Ticket and request that an answer belongs to, now settled; None for a late or repeated answer."""
        ticket = self._tickets.get(sequence)
        if ticket is None:
            return None
        message = self._entries[ticket].message
        self.forget(ticket)
        return ticket, message

    def overdue(self, now: float) -> list[int]:
        """Give up what has waited too long; returns the tickets."""
        tickets = [entry.ticket for entry in self._entries.values() if entry.expires <= now]
        for ticket in tickets:
            self.forget(ticket)
        return tickets

    def forget(self, ticket: int) -> None:
        entry = self._entries.pop(ticket, None)
        if entry is not None and entry.frame is not None:
            del self._tickets[entry.message.sequence]

    def forget_all(self) -> list[int]:
        tickets = list(self._entries)
        for ticket in tickets:
            self.forget(ticket)
        return tickets

    def next_send(self) -> float | None:
        """When `next_frame` next has something to send; None: not before something else happens."""
        return min((entry.due for entry in self._ready()), default=None)

    def next_overdue(self) -> float | None:
        return min((entry.expires for entry in self._entries.values()), default=None)

    def _ready(self) -> list[_Entry]:
        """What may be on the line: four requests, of the ordered ones only one at a time, so that none overtakes."""
        sent = [entry for entry in self._entries.values() if entry.frame and not entry.beside]
        free = MOST_UNANSWERED - len(sent)
        ordered_sent = any(isinstance(entry.message, ORDERED) for entry in sent)
        ready = []
        for entry in self._entries.values():
            if entry.frame or entry.beside:
                ready.append(entry)
            elif free > 0 and not (ordered_sent and isinstance(entry.message, ORDERED)):
                ready.append(entry)
                free -= 1
                ordered_sent = ordered_sent or isinstance(entry.message, ORDERED)
        return ready
