"""Streams of bytes that the instrument link can run over: what one must offer, and the parts that all share."""

import asyncio
import contextlib
from typing import Protocol

LINE_DRAIN = 1.0
CLOSING = 2.0


class ByteStream(Protocol):
    """A two-way stream that is open already.  Bytes arrive in order; pieces have no meaning.

    A stream that has failed stays failed.  One task reads, one writes.
    """

    @property
    def bytes_per_second(self) -> float | None:
        """What the line carries at most; None where nothing slow is known of it."""
        ...

    @property
    def signal_strength(self) -> float | None:
        """How strongly the instrument's radio was heard when the connection was made, in dBm; None on a wire."""
        ...

    async def read(self) -> bytes:
        """The next bytes as soon as there are any; empty when the other end closed.  Raises OSError when it died."""
        ...

    async def write(self, data: bytes) -> None:
        """Send; returns once next to nothing waits below, so that the next frame can still be chosen.

        Raises OSError when the stream died.
        """
        ...

    async def close(self) -> None:
        """Close at once, dropping what was not sent.  Never raises, may be called twice, takes CLOSING s at most."""
        ...


class TransportStream:
    """A stream over a pair of asyncio's streams whose transport holds no frame back."""

    _PIECE = 65536

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        writer.transport.set_write_buffer_limits(high=0)

    @property
    def bytes_per_second(self) -> float | None:
        return None

    @property
    def signal_strength(self) -> float | None:
        return None

    async def read(self) -> bytes:
        return await self._reader.read(self._PIECE)

    async def write(self, data: bytes) -> None:
        self._writer.write(data)
        await self._writer.drain()

    async def close(self) -> None:
        if not self._writer.transport.is_closing():
            self._writer.transport.abort()
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(CLOSING):
                await self._writer.wait_closed()


class MemoryStream:
    """One end of a stream within this process; made by `memory_pair`."""

    _CAPACITY = 4096

    def __init__(self) -> None:
        self._arrived = bytearray()
        self._changed = asyncio.Event()
        self._closed = False
        self._peer = self

    @property
    def bytes_per_second(self) -> float | None:
        return None

    @property
    def signal_strength(self) -> float | None:
        return None

    def connect(self, peer: "MemoryStream") -> None:
        self._peer = peer

    async def read(self) -> bytes:
        while not self._arrived:
            if self._closed or self._peer._closed:
                return b""
            self._changed.clear()
            await self._changed.wait()
        data = bytes(self._arrived)
        self._arrived.clear()
        self._peer._changed.set()
        return data

    async def write(self, data: bytes) -> None:
        peer = self._peer
        while len(peer._arrived) >= self._CAPACITY and not (self._closed or peer._closed):
            self._changed.clear()
            await self._changed.wait()
        if self._closed or peer._closed:
            raise BrokenPipeError("the other end of the stream was closed")
        peer._arrived += data
        peer._changed.set()

    async def close(self) -> None:
        self._closed = True
        self._changed.set()
        self._peer._changed.set()


def memory_pair() -> tuple[MemoryStream, MemoryStream]:
    """Two connected ends."""
    one, other = MemoryStream(), MemoryStream()
    one.connect(other)
    other.connect(one)
    return one, other
