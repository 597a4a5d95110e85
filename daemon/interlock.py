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

    `opened` is called with a sentence when it is satisfied no longer.
    """

    def __init__(self, settings: InterlockSettings, now: Callable[[], float], opened: Callable[[str], None]) -> None:
        self.topic = settings.topic
        self._expires, self._now, self._opened = settings.expires, now, opened
        self._until = float("-inf")
        self._was = False
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
            self._until, self._was = self._now() + self._expires, True
            self._heard.set()
        else:
            self._open(f"The interlock {self.topic} says that it is open.")

    async def run(self) -> None:
        """Watch that it is heard in time; returns only by cancellation."""
        while True:
            self._heard.clear()
            try:
                async with asyncio.timeout(max(0.0, self._until - self._now()) if self._was else None):
                    await self._heard.wait()
            except TimeoutError:
                if self._now() >= self._until:
                    self._open(f"The interlock {self.topic} was not heard for {self._expires:g} s.")

    def _open(self, sentence: str) -> None:
        self._until = float("-inf")
        if self._was:
            self._was = False
            log.warning("an interlock opened", topic=self.topic, reason=sentence)
            self._opened(sentence)
