"""The alarm of one instrument: what a person has to look at, told again and again until somebody says that he knows."""

import asyncio
from dataclasses import dataclass
from typing import Literal

import structlog

from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.protocol import topics
from luggin.protocol.payloads import Alarm

log = structlog.get_logger(__name__)

REPEAT = 300.0
Source = Literal["unit", "sequence"]


@dataclass(frozen=True)
class Call:
    """What calls for a person: one word for what it is, and a sentence."""

    kind: str
    sentence: str


class Bell:
    """Tells the gravest call of its sources: the unit before the sequence.

    A new call has to be acknowledged anew; the same kind with other words has not.
    """

    def __init__(self, node: str, instrument: str, board: Board, clock: Clock, repeat: float = REPEAT) -> None:
        self._node, self._instrument, self._board, self._clock = node, instrument, board, clock
        self._repeat = repeat
        self._calls: dict[Source, Call] = {}
        self._alarm: Alarm | None = None
        self._moved = asyncio.Event()

    @property
    def unanswered(self) -> bool:
        return self._alarm is not None and self._alarm.active and not self._alarm.acknowledged_by

    async def run(self) -> None:
        """Repeat what nobody has acknowledged; returns only by cancellation."""
        while True:
            self._moved.clear()
            try:
                async with asyncio.timeout(self._repeat if self.unanswered else None):
                    await self._moved.wait()
            except TimeoutError:
                assert self._alarm is not None
                self._post(self._alarm.model_copy(update={"told": self._alarm.told + 1, "utc": self._clock.utc()}))

    def call(self, source: Source, call: Call | None) -> None:
        """What this source has to say now; None when nothing."""
        if call is None:
            self._calls.pop(source, None)
        else:
            self._calls[source] = call
        self._tell(next((self._calls[each] for each in ("unit", "sequence") if each in self._calls), None))

    def acknowledge(self, person: str) -> str | None:
        """A named person has taken note.  Returns why not, or None."""
        if self._alarm is None or not self._alarm.active:
            return "There is no alarm."
        now = self._clock.utc()
        self._post(self._alarm.model_copy(update={"acknowledged_by": person, "acknowledged": now, "utc": now}))
        return None

    def _tell(self, found: Call | None) -> None:
        old, utc = self._alarm, self._clock.utc()
        kind, sentence = ("", "") if found is None else (found.kind, found.sentence)
        if old is not None and (old.kind, old.sentence) == (kind, sentence):
            return
        same = old is not None and old.active and old.kind == kind
        begun = Alarm(
            node=self._node,
            instrument=self._instrument,
            active=found is not None,
            kind=kind,
            sentence=sentence,
            since=None if found is None else utc,
            told=0 if found is None else 1,
            utc=utc,
        )
        self._post(old.model_copy(update={"sentence": sentence, "utc": utc}) if same and old is not None else begun)
        if found is not None:
            log.error("alarm", instrument=self._instrument, kind=kind, sentence=sentence)
        elif old is not None and old.active:
            log.info("alarm is over", instrument=self._instrument, kind=old.kind)

    def _post(self, alarm: Alarm) -> None:
        self._alarm = alarm
        self._board.post(topics.instrument(self._node, self._instrument, "alarm"), alarm)
        self._moved.set()
