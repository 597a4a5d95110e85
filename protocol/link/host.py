"""The host's end of the link, without I/O and without a clock: bytes and times go in, frames and events come out.

What belongs here: opening, finding answers to requests, asking again for what was lost, noticing that the instrument
fell silent.  What doesn't: sockets, tasks, waiting.  After Lost a host is used up; a new connection gets a new one.
"""

from dataclasses import dataclass
from enum import Enum

from luggin.protocol.link import frame
from luggin.protocol.link.arrivals import Arrivals, News
from luggin.protocol.link.codec import decode, encode
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.message import (
    VERSION,
    Answer,
    Arm,
    AskStatus,
    CellOff,
    Done,
    Hello,
    Message,
    Points,
    ReadingReport,
    Refusal,
    Replay,
    ReplayFrom,
    Report,
    Request,
    Start,
    Welcome,
)
from luggin.protocol.link.numbers import Code
from luggin.protocol.link.requests import Failure, Requests, Timing


class Phase(Enum):
    OPENING = "hello sent, no welcome yet"
    OPEN = "requests go out, answers come in"
    LOST = "nothing goes out any more"


@dataclass(frozen=True)
class Opened:
    """The instrument answered the hello."""

    welcome: Welcome


@dataclass(frozen=True)
class Answered:
    """A request got its answer."""

    ticket: int
    answer: Answer


@dataclass(frozen=True)
class Failed:
    """A request will get no answer."""

    ticket: int
    failure: Failure


@dataclass(frozen=True)
class Arrived:
    """Points in order and without gaps, or a status that differs from the one before."""

    news: News


@dataclass(frozen=True)
class Lost:
    """The link is of no use any more.  `foreign`: the peer speaks, but not this protocol or version."""

    reason: str
    foreign: bool = False


Event = Opened | Answered | Failed | Arrived | Lost


@dataclass(frozen=True)
class _Replay:
    """The newest replay under way.  `before` is the run that was followed, and its next point."""

    ticket: int
    own: bool
    before: tuple[str | None, int]


class Host:
    """One session.  `session` is a random number below 2**32; `now` is always the same monotonic clock, in s."""

    def __init__(self, session: int, now: float, timing: Timing | None = None) -> None:
        self._timing = timing or Timing()
        self._hello = Hello(session)
        self._hello_due = self._heard = self._status_due = self._tick_due = now
        self._decoder = frame.Decoder()
        self._requests = Requests(self._timing)
        self._arrivals = Arrivals()
        self._status_ticket: int | None = None
        self._replay: _Replay | None = None
        self.phase = Phase.OPENING
        self.clock = 0.0
        """Newest instrument clock heard of, s since the instrument's start."""
        self.misfits = 0
        """Undamaged frames that held no message of this protocol."""

    @property
    def garbage(self) -> int:
        """Bytes that were no frame."""
        return self._decoder.skipped

    # In

    def receive(self, data: bytes, now: float) -> list[Event]:
        """Take bytes from the line."""
        events: list[Event] = []
        for content in self._decoder.feed(data):
            self._heard = now
            try:
                message = decode(content)
            except MessageError:
                self.misfits += 1
                continue
            events += self._message(message, now)
        self._ask_again(now)
        return events

    def tick(self, now: float) -> list[Event]:
        """Let time pass: call it whenever `next_tick` has come."""
        if self.phase is not Phase.OPEN:
            return []
        if now - self._tick_due > self._timing.silence / 2:
            # Who slept can't say that the instrument was silent: first listen for a while.
            self._heard = max(self._heard, now - self._timing.silence / 2)
        if now - self._heard >= self._timing.silence:
            return self.lose(f"the instrument has been silent for {now - self._heard:.1f} s")
        events: list[Event] = []
        for ticket in self._requests.overdue(now):
            events += self._failed(ticket, Failure.NO_ANSWER)
        if self._status_ticket is None and now >= self._status_due:
            self._status_ticket = self._requests.add(AskStatus(0), now)
        self._ask_again(now)
        return events

    def request(self, message: Request, now: float) -> tuple[int, list[Event]]:
        """Put a request on the list; its sequence number is set here.  Returns its ticket and what it overtook.

        Raises ValueError for fields that don't fit the message, and on a lost link.
        """
        if self.phase is Phase.LOST:
            raise ValueError("a lost link takes no requests")
        ticket = self._requests.add(message, now)
        events: list[Event] = []
        if isinstance(message, CellOff):
            events = [Failed(overtaken, Failure.OVERTAKEN) for overtaken in self._requests.overtaken()]
        if isinstance(message, Replay):
            self._drop_own_replay()
            self._replay = _Replay(ticket, own=False, before=(self._arrivals.run, self._arrivals.expected))
            self._arrivals.follow(message.run, message.first)
            self._arrivals.asked = True
        return ticket, events

    def withdraw(self, ticket: int) -> None:
        """Nobody waits for this answer any more: the request is not sent again."""
        self._requests.forget(ticket)
        self._failed(ticket, Failure.NO_ANSWER)

    def lose(self, reason: str, foreign: bool = False) -> list[Event]:
        """The connection is gone: every request that waits fails."""
        if self.phase is Phase.LOST:
            return []
        self.phase = Phase.LOST
        failed = [each for ticket in self._requests.forget_all() for each in self._failed(ticket, Failure.LINK_LOST)]
        return [Lost(reason, foreign), *failed]

    def pause(self) -> None:
        """Drop points from here on, because nobody takes them; the instrument keeps them."""
        self._arrivals.pause()

    def resume(self, now: float) -> None:
        """Take points again, beginning with those dropped."""
        self._arrivals.resume()
        self._ask_again(now)

    # Out

    def next_frame(self, now: float) -> bytes | None:
        """The one frame to put on the line now; ask again when it has left."""
        if self.phase is Phase.OPEN:
            return self._requests.next_frame(now)
        if self.phase is Phase.OPENING and now >= self._hello_due:
            self._hello_due = now + self._timing.repeat
            return frame.DELIMITER + frame.encode(encode(self._hello))
        return None

    def next_send(self) -> float | None:
        """When to call `next_frame`, unless something comes before; None: not until then."""
        if self.phase is Phase.OPENING:
            return self._hello_due
        return self._requests.next_send() if self.phase is Phase.OPEN else None

    def next_tick(self) -> float | None:
        """When to call `tick`, unless something comes before; None: not until then."""
        if self.phase is not Phase.OPEN:
            return None
        times = [self._heard + self._timing.silence, self._requests.next_overdue()]
        if self._status_ticket is None:
            times.append(self._status_due)
        self._tick_due = min(time for time in times if time is not None)
        return self._tick_due

    # Messages

    def _message(self, message: Message, now: float) -> list[Event]:
        if self.phase is Phase.OPENING:
            return self._welcome(message, now) if isinstance(message, Welcome) else []
        if self.phase is Phase.LOST:
            return []
        match message:
            case Points(batch):
                return [Arrived(news) for news in self._arrivals.points(batch)]
            case Refusal(code=Code.NO_SESSION):
                return self.lose("the instrument was restarted")
            case Report(sequence, sent, status):
                self.clock = max(self.clock, status.clock)
                self._status_due = now + self._timing.status
                told: list[Event] = [Arrived(news) for news in self._arrivals.report(status, sent)]
                return [*self._answer(message, now), *told] if sequence else told
            case ReadingReport(_, reading):
                self.clock = max(self.clock, reading.clock)
                return self._answer(message, now)
            case _ if isinstance(message, Answer):
                return self._answer(message, now)
        self.misfits += 1
        return []

    def _welcome(self, welcome: Welcome, now: float) -> list[Event]:
        if welcome.session != self._hello.session:
            return []
        if not welcome.lowest_version <= VERSION <= welcome.highest_version:
            spoken = f"{welcome.lowest_version} to {welcome.highest_version}"
            reason = (
                f"the instrument speaks versions {spoken} of the link, this program version {VERSION}; update either"
            )
            return self.lose(reason, foreign=True)
        self.phase = Phase.OPEN
        self.clock = welcome.clock
        return [Opened(welcome)]

    def _answer(self, answer: Answer, now: float) -> list[Event]:
        settled = self._requests.answered(answer.sequence)
        if settled is None:
            return []
        ticket, request = settled
        events: list[Event] = [] if self._own(ticket) else [Answered(ticket, answer)]
        if isinstance(answer, Done):
            match request:
                case Arm(run=run):
                    self._follow_anew(run)
                case Start(run=run) if run != self._arrivals.run:  # another host had armed it
                    self._follow_anew(run)
        if self._replay is not None and ticket == self._replay.ticket:
            events += self._replay_settled(self._replay, answer)
        return events

    def _follow_anew(self, run: str) -> None:
        self._drop_own_replay()
        self._replay = None
        self._arrivals.follow(run, 0)
        self._arrivals.asked = False

    def _replay_settled(self, replay: "_Replay", answer: Answer) -> list[Event]:
        self._replay = None
        if isinstance(answer, ReplayFrom):
            return [Arrived(news) for news in self._arrivals.replay_from(answer.first)]
        self._arrivals.asked = self._arrivals.missing = False
        self._arrivals.run, self._arrivals.expected = replay.before
        return []

    def _failed(self, ticket: int, failure: Failure) -> list[Event]:
        own = self._own(ticket)
        if self._replay is not None and ticket == self._replay.ticket:
            self._replay = None
            self._arrivals.asked = False
        return [] if own else [Failed(ticket, failure)]

    def _own(self, ticket: int) -> bool:
        """Whether this object asked by itself; then nobody waits for the answer."""
        if ticket == self._status_ticket:
            self._status_ticket = None
            return True
        return self._replay is not None and self._replay.own and ticket == self._replay.ticket

    def _ask_again(self, now: float) -> None:
        """Keep one replay of our own under way while points are missing."""
        if not self._arrivals.asked:
            self._drop_own_replay()
        if self.phase is Phase.OPEN and self._arrivals.wanting and self._arrivals.run is not None:
            run, expected = self._arrivals.run, self._arrivals.expected
            self._replay = _Replay(self._requests.add(Replay(0, run, expected), now), own=True, before=(None, 0))
            self._arrivals.asked = True

    def _drop_own_replay(self) -> None:
        """Points came without its answer, or others are wanted: a late answer must not be taken for news."""
        if self._replay is not None and self._replay.own:
            self._requests.forget(self._replay.ticket)
            self._replay = None
