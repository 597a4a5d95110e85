"""A connected Bluetooth LE peripheral as a byte stream: writes to one characteristic, notifications of another.

What the library says of the connection is not believed further than this: a failed write, a failed call or a link that
dropped ends the stream for good.  A link that is merely silent is the business of the instrument link above.
"""

import asyncio

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic

from luggin.drivers import ble_errors
from luggin.drivers.ble_errors import bounded
from luggin.drivers.stream import CLOSING
from luggin.protocol.link.gatt import LARGEST_VALUE

WRITE_WITHIN = 5.0
"""Seconds that one write may take: as long as the instrument link bears silence."""
_LONGEST_INTERVAL = 0.05
"""Seconds from one write to the next: the longest connection interval that BlueZ asks for by itself."""
_MOST_WAITING = 1 << 20


class BleStream:
    """`client` is connected by now or soon; the stream takes its notifications from `arrived`."""

    def __init__(self, signal_strength: float | None) -> None:
        self._signal_strength = signal_strength
        self._client: BleakClient | None = None
        self._arrived = bytearray()
        self._changed = asyncio.Event()
        self._ended = ""

    def attach(self, client: BleakClient, to_instrument: BleakGATTCharacteristic) -> None:
        self._client, self._to_instrument = client, to_instrument

    @property
    def bytes_per_second(self) -> float:
        return self._largest / _LONGEST_INTERVAL

    @property
    def signal_strength(self) -> float | None:
        return self._signal_strength

    def arrived(self, _: BleakGATTCharacteristic, data: bytearray) -> None:
        """Take a notification; never waits."""
        if len(self._arrived) + len(data) > _MOST_WAITING:
            self.end("more came than could be taken")
        elif not self._ended:
            self._arrived += data
            self._changed.set()

    def dropped(self, _: BleakClient) -> None:
        self.end("the radio link dropped")

    def end(self, reason: str) -> None:
        self._ended = self._ended or reason
        self._changed.set()

    async def read(self) -> bytes:
        while not self._arrived:
            if self._ended:
                raise ConnectionResetError(self._ended)
            self._changed.clear()
            await self._changed.wait()
        data = bytes(self._arrived)
        self._arrived.clear()
        return data

    async def write(self, data: bytes) -> None:
        """With a response for each piece: once it has come, nothing waits below."""
        client = self._client
        start = 0
        while start < len(data):
            if self._ended or client is None:
                raise ConnectionResetError(self._ended)
            piece = data[start : start + self._largest]
            try:
                await bounded(client.write_gatt_char(self._to_instrument, piece, response=True), WRITE_WITHIN)
            except Exception as error:
                self.end(f"a write failed: {ble_errors.reason(error)}")
                raise ConnectionResetError(self._ended) from None
            start += len(piece)

    async def close(self) -> None:
        self.end("it was closed here")
        if self._client is not None:
            client, self._client = self._client, None
            await release(client)

    @property
    def _largest(self) -> int:
        """Bytes of one write; may grow once both ends have agreed."""
        return min(self._to_instrument.max_write_without_response_size, LARGEST_VALUE)


async def release(client: BleakClient) -> None:
    """Needed after a drop too: what is left of a client would have the next one's notifications come twice."""
    try:
        await bounded(client.disconnect(), CLOSING / 2)
    except Exception:
        return  # it is given up in any case
