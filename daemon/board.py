"""The notice board: the newest payload under each topic, for whoever wants to show or publish it.

Only what is worthless once it is superseded goes here (state, health, alarm, progress); points, events, headers and
results are read from the store.
"""

import asyncio
from collections.abc import Mapping

from luggin.protocol.payloads import Payload


class Board:
    def __init__(self) -> None:
        self._entries: dict[str, tuple[int, Payload]] = {}
        self._serial = 0
        self._changed = asyncio.Event()

    def post(self, topic: str, payload: Payload) -> None:
        self._serial += 1
        self._entries[topic] = (self._serial, payload)
        self._changed.set()
        self._changed = asyncio.Event()

    @property
    def entries(self) -> Mapping[str, Payload]:
        return {topic: payload for topic, (_, payload) in self._entries.items()}

    async def newer(self, than: int) -> tuple[int, dict[str, Payload]]:
        """Wait for entries posted after serial `than`; returns them with the serial to ask with next time."""
        while True:
            changed = self._changed
            fresh = {topic: payload for topic, (serial, payload) in self._entries.items() if serial > than}
            if fresh:
                return self._serial, fresh
            await changed.wait()
