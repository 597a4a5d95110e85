"""An interlock: a topic on which somebody else says, again and again, that work may go on.

It is not safety-rated: between a door and this daemon lie a network and a broker, and a dead broker opens cells too.
Only what was published while we listened counts; what the broker had in store is of nobody knows when.
"""

import asyncio
from collections.abc import Callable

import structlog

from luggin.daemon.settings import InterlockSettings

log = structlog.get_logger(__name__)

_YES = {b"true", b"1"}


class Interlock:
    """Satisfied for `expires` s after each message that says `true` or `1`; anything else opens it at once.

    `opened` is called with a sentence whenever it says that it is open and when it was not heard in time, also after
    `run` began: a run that an earlier daemon left may be on.
    """

    def __init__(self, settings: InterlockSettings, now: Callable[[], float], opened: Callable[[str], None]) -> None:
        self.topic = settings.topic
        self._expires, self._now, self._opened = settings.expires, now, opened
        self._until = float("-inf")
        self._due: float | None = None
        self._heard = asyncio.Event()

    @property
    def refusal(self) -> str | None:
        """Why nothing may be energised now, or None."""
        return None if self._now() < self._until else f"The interlock {self.topic} does not say true; nothing starts."

    def hear(self, body: bytes, kept: bool) -> None:
        """A message on its topic."""
        if kept:
            return
        if body.strip().lower() in _YES:
            self._until = self._due = self._now() + self._expires
            self._heard.set()
        else:
            self._open(f"The interlock {self.topic} says that it is open.")

    async def run(self) -> None:
        """Watch that it is heard in time; returns only by cancellation."""
        self._due = max(self._until, self._now() + self._expires)
        while True:
            self._heard.clear()
            try:
                async with asyncio.timeout(None if self._due is None else max(0.0, self._due - self._now())):
                    await self._heard.wait()
            except TimeoutError:
                if self._due is not None and self._now() >= self._due:
                    self._open(f"The interlock {self.topic} was not heard for {self._expires:g} s.")

    def _open(self, sentence: str) -> None:
        if self._due is not None:
            log.warning("an interlock opened", topic=self.topic, reason=sentence)
        self._until, self._due = float("-inf"), None
        self._opened(sentence)
