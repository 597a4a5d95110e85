"""The instrument's end of a Bluetooth LE connection as a byte stream."""

import asyncio
from collections.abc import Awaitable, Callable

from luggin.protocol.link.gatt import ATT_OVERHEAD, LARGEST_VALUE, SMALLEST_MTU

_PER_BYTE, _OVERHEAD = 60e-6, 7
"""Seconds on the air of a byte, and bytes that each notification has beside its payload (L2CAP 4, ATT 3).  BlueZ takes
any number of notifications and keeps them, so the pace is set here: 16 kB/s, which LE links reach (common practice)."""
_CAPACITY = 4096


class PeripheralStream:
    """`owner` is BlueZ's path of the host.  `notify` sends one notification; `hang_up` ends the radio link."""

    def __init__(
        self, owner: str, notify: Callable[[bytes], Awaitable[None]], hang_up: Callable[[str], Awaitable[None]]
    ) -> None:
        self.owner, self.mtu = owner, SMALLEST_MTU
        self._notify, self._hang_up = notify, hang_up
        self._arrived = bytearray()
        self._changed, self._taken = asyncio.Event(), asyncio.Event()
        self._next = 0.0
        self.ended = False

    @property
    def bytes_per_second(self) -> float | None:
        return None

    @property
    def signal_strength(self) -> float | None:
        return None

    async def heard(self, data: bytes) -> None:
        """Take what the host wrote, once there is room."""
        while len(self._arrived) >= _CAPACITY and not self.ended:
            self._taken.clear()
            await self._taken.wait()
        self._arrived += data
        self._changed.set()

    def end(self) -> None:
        """The host has gone."""
        self.ended = True
        self._changed.set()
        self._taken.set()

    async def read(self) -> bytes:
        while not self._arrived:
            if self.ended:
                return b""
            self._changed.clear()
            await self._changed.wait()
        data = bytes(self._arrived)
        self._arrived.clear()
        self._taken.set()
        return data

    async def write(self, data: bytes) -> None:
        loop = asyncio.get_running_loop()
        size = min(self.mtu - ATT_OVERHEAD, LARGEST_VALUE)
        for start in range(0, len(data), size):
            piece = data[start : start + size]
            self._next = max(self._next, loop.time()) + _PER_BYTE * (_OVERHEAD + len(piece))
            if self.ended:
                raise BrokenPipeError("the radio link dropped")
            await self._notify(piece)
            await asyncio.sleep(self._next - loop.time())

    async def close(self) -> None:
        if not self.ended:
            self.end()
            await self._hang_up(self.owner)
