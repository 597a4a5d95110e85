"""What the store keeps of a sequence under way, in the log of its instrument, so that a restart goes on from there."""

import asyncio
from dataclasses import dataclass
from typing import Any

from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.store import Store
from luggin.protocol.sequence import OVER, Progress, SequenceDocument, parse

BEGUN, MOVED = "sequence-begun", "sequence"


@dataclass(frozen=True)
class Patron:
    """Who asked for a sequence; its runs are asked for in this name."""

    client: str
    verified: bool
    origin: str

    @classmethod
    def of(cls, command: ReceivedCommand) -> "Patron":
        return cls(command.client, command.verified, command.origin)


@dataclass(frozen=True)
class Remembered:
    """A sequence as an earlier daemon left it.  `passed` are seconds since then, None when no clock can tell."""

    name: str
    document: SequenceDocument
    patron: Patron
    progress: Progress
    passed: float | None


class Memory:
    def __init__(self, instrument: str, store: Store, clock: Clock) -> None:
        self._instrument, self._store, self._clock = instrument, store, clock

    def begin(self, name: str, document: SequenceDocument, patron: Patron) -> asyncio.Future[int]:
        """Done when the sequence is durable, as the next."""
        data = {
            "sequence": name,
            "document": document.model_dump(mode="json", exclude_none=True),
            "client": patron.client,
            "verified": patron.verified,
            "origin": patron.origin,
        }
        sentence = f"{patron.client} began the sequence {name}"
        return self._store.event(None, self._instrument, BEGUN, sentence, data, urgent=True)

    def keep(self, name: str, progress: Progress, notes: list[dict[str, Any]]) -> asyncio.Future[int]:
        """Where the sequence stands; `notes` are the events that led there."""
        data = {
            "sequence": name,
            "progress": progress.model_dump(mode="json"),
            "notes": notes,
            "monotonic": self._clock.monotonic(),
            "utc": self._clock.utc(),
            "synchronised": bool(self._clock.synchronised()),
            "host": self._clock.host(),
        }
        sentence = f"{name}: {progress.status}. {progress.reason}"
        return self._store.event(None, self._instrument, MOVED, sentence, data, urgent=True)

    async def recall(self) -> Remembered | None:
        """The newest sequence, unless it is over and evaluated.  Raises DocumentError for one that this version can't
        read."""
        newest = await self._store.newest_entry(self._instrument, MOVED, BEGUN)
        if newest is None:
            return None
        moved, data = newest.kind == MOVED, newest.data
        progress = Progress.model_validate(data["progress"]) if moved else Progress()
        over = progress.status in OVER and progress.doing != "evaluating"
        if over or not moved:  # begun and never moved: its first run was not asked for
            return None
        begun = await self._store.newest_entry(self._instrument, BEGUN)
        if begun is None or begun.data["sequence"] != data["sequence"]:
            return None
        patron = Patron(begun.data["client"], bool(begun.data["verified"]), begun.data["origin"])
        return Remembered(data["sequence"], parse(begun.data["document"]), patron, progress, self._passed(data))

    def _passed(self, data: Any) -> float | None:
        """By the monotonic clock while the host was not restarted, else by the wall clock if it could be trusted then
        and can be now."""
        if data["host"] and data["host"] == self._clock.host():
            return max(0.0, self._clock.monotonic() - float(data["monotonic"]))
        if data["synchronised"] and self._clock.synchronised():
            return max(0.0, self._clock.utc() - float(data["utc"]))
        return None
