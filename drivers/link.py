"""Sessions with instruments that speak the open instrument link, over any byte stream."""

import asyncio
import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import TypeVar

from luggin.drivers.api import News
from luggin.drivers.errors import LinkLost, NoAnswer, NotReachable, ProtocolViolation, Refused
from luggin.drivers.exchange import Exchange
from luggin.drivers.stream import ByteStream
from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Cell, Reading, Receipt, Status
from luggin.protocol.link import documents, frame, message
from luggin.protocol.link.host import Host
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.message import Answer, Request, Welcome
from luggin.protocol.link.requests import Timing
from luggin.protocol.program import Program

_UPLOAD_HEAD = frame.LARGEST_MESSAGE - message.LARGEST_CHUNK
_Wanted = TypeVar("_Wanted", bound=Answer)


class LinkSession:
    """A session of the driver interface (see `luggin.drivers.api`) on an exchange that was opened."""

    def __init__(
        self,
        exchange: Exchange,
        address: str,
        welcome: Welcome,
        capability: Capability,
        signal_strength: float | None = None,
    ) -> None:
        self._exchange, self._address, self._welcome = exchange, address, welcome
        self._capability, self._signal_strength = capability, signal_strength
        self._cell = Cell.UNKNOWN

    @property
    def capability(self) -> Capability:
        return self._capability

    async def status(self) -> Status:
        report = await self._ask(message.AskStatus(0), message.Report)
        self._cell = report.status.cell
        return report.status

    async def read(self) -> Reading:
        reading = (await self._ask(message.AskReading(0), message.ReadingReport)).reading
        if reading.signal_strength is None:
            return replace(reading, signal_strength=self._signal_strength)
        return reading

    async def arm(self, run: str, program: Program) -> None:
        encoded = documents.write_program(program)
        largest = self._capability.largest_program
        if len(encoded) > largest:
            words = f"the program has {len(encoded)} bytes, the instrument takes {largest}; use fewer segments"
            raise Refused(f"{self._address}: {words}", self._cell)
        piece = frame.room(self._welcome.largest_frame) - _UPLOAD_HEAD
        for offset in range(0, len(encoded), piece):
            await self._ask(message.Upload(0, offset, encoded[offset : offset + piece]), message.Done)
        digest = documents.program_digest(encoded)
        await self._ask(message.Arm(0, run, len(encoded), digest), message.Done)

    async def start(self, run: str) -> None:
        await self.status()  # for a fresh clock to quote
        await self._ask(message.Start(0, run, self._exchange.host.clock), message.Done)

    def news(self) -> AsyncIterator[News]:
        return self._exchange.news()

    async def acknowledge(self, run: str, after: int) -> None:
        await self._ask(message.Acknowledge(0, run, after), message.Done)

    async def replay(self, run: str, first: int) -> None:
        await self._ask(message.Replay(0, run, first), message.ReplayFrom)

    async def keep_alive(self) -> None:
        await self._ask(message.KeepAlive(0, self._exchange.host.clock), message.Report)

    async def hold(self) -> None:
        await self._ask(message.Hold(0), message.Done)

    async def unhold(self) -> None:
        await self.status()
        await self._ask(message.Unhold(0, self._exchange.host.clock), message.Done)

    async def stop(self) -> None:
        await self._ask(message.Stop(0), message.Done)

    async def cell_off(self) -> Receipt:
        receipt = (await self._ask(message.CellOff(0), message.OffReceipt)).receipt
        self._cell = receipt.cell
        return receipt

    async def _ask(self, request: Request, wanted: type[_Wanted]) -> _Wanted:
        answer = await self._exchange.ask(request)
        if isinstance(answer, wanted):
            return answer
        if isinstance(answer, message.Refusal):
            raise Refused(f"{self._address}: {answer.sentence} ({answer.code.value})", self._cell)
        raise ProtocolViolation(f"{self._address}: {type(answer).__name__} is no answer to {type(request).__name__}")


@asynccontextmanager
async def open_link(stream: ByteStream, address: str, timeout: float) -> AsyncIterator[LinkSession]:
    """A session over an open stream, which is closed on leaving.

    Entering shakes hands, fetches the capability and sees a first status, within `timeout` seconds.  Raises
    NotReachable when that fails, ProtocolViolation when something else or another version answers.
    """
    loop = asyncio.get_running_loop()
    timing = Timing() if stream.bytes_per_second is None else Timing().on_line(stream.bytes_per_second)
    exchange = Exchange(stream, Host(secrets.randbits(32), loop.time(), timing), address)
    exchange.start()
    try:
        yield await _opened(exchange, address, timeout, stream.signal_strength)
    finally:
        await exchange.close()


async def _opened(exchange: Exchange, address: str, timeout: float, signal_strength: float | None) -> LinkSession:
    try:
        async with asyncio.timeout(timeout):
            welcome = await exchange.opened()
            capability = await _capability(exchange, address, welcome)
            session = LinkSession(exchange, address, welcome, capability, signal_strength)
            await session.status()
            return session
    except TimeoutError:
        raise NotReachable(f"{address}: no instrument answered within {timeout:.2g} s{_hint(exchange.host)}") from None
    except (LinkLost, NoAnswer) as error:
        raise NotReachable(str(error)) from None


async def _capability(exchange: Exchange, address: str, welcome: Welcome) -> Capability:
    if welcome.capability_size > documents.LARGEST_CAPABILITY:
        raise ProtocolViolation(f"{address}: a capability of {welcome.capability_size} bytes is too large")
    encoded = b""
    while len(encoded) < welcome.capability_size:
        answer = await exchange.ask(message.AskCapability(0, len(encoded)))
        if not isinstance(answer, message.Chunk) or answer.offset != len(encoded):
            raise ProtocolViolation(f"{address}: asked for its capability, the instrument sent something else")
        encoded += answer.data
    if documents.capability_checksum(encoded) != welcome.capability_checksum:
        raise ProtocolViolation(f"{address}: the instrument's capability does not match its checksum")
    try:
        return documents.read_capability(encoded)
    except MessageError as error:
        raise ProtocolViolation(f"{address}: {error}") from None


def _hint(host: Host) -> str:
    if host.misfits:
        return "; what came back were frames of another protocol or version"
    if host.garbage:
        return f"; {host.garbage} bytes came back that are no frames; are port and baud rate right?"
    return "; is it switched on and connected?"
