"""The drivers for instruments that speak the open instrument link: over a serial port, over TCP."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any, Self

from pydantic import Field, ValidationError

from luggin.drivers.api import Session
from luggin.drivers.errors import NotReachable, SettingsError
from luggin.drivers.link import open_link
from luggin.drivers.stream import ByteStream
from luggin.protocol.problem import from_validation
from luggin.protocol.program import Frozen


class _LinkDriver(Frozen):
    """Settings of a connection, and how sessions are opened over it."""

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self:
        """Understand settings.  Raises SettingsError, naming each wrong field."""
        try:
            return cls.model_validate(dict(settings), strict=True)
        except ValidationError as error:
            raise SettingsError(from_validation(error)) from None

    @property
    def address(self) -> str:
        raise NotImplementedError

    async def connect(self) -> ByteStream:
        raise NotImplementedError

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        loop = asyncio.get_running_loop()
        latest = loop.time() + timeout
        try:
            async with asyncio.timeout_at(latest):
                stream = await self.connect()
        except TimeoutError:
            raise NotReachable(f"{self.address}: no connection within {timeout:g} s") from None
        async with open_link(stream, self.address, latest - loop.time()) as session:
            yield session


class SerialDriver(_LinkDriver):
    """An instrument on a serial port, real or USB; on a USB port the baud rate often means nothing."""

    port: str = Field(min_length=1, max_length=256, description="device file, e.g. /dev/serial/by-id/...")
    baud_rate: int = Field(115200, ge=1200, le=4_000_000, description="speed of the line in baud")

    @property
    def address(self) -> str:
        return f"serial port {self.port}"

    async def connect(self) -> ByteStream:
        from luggin.drivers.serial_stream import open_serial

        return await open_serial(self.port, self.baud_rate)


class TcpDriver(_LinkDriver):
    """An instrument on the network.  The link has no passwords: the network must be one that can be trusted."""

    host: str = Field(min_length=1, max_length=253, description="name or address of the instrument")
    port: int = Field(ge=1, le=65535, description="TCP port")

    @property
    def address(self) -> str:
        return f"TCP {self.host} port {self.port}"

    async def connect(self) -> ByteStream:
        from luggin.drivers.tcp_stream import open_tcp

        return await open_tcp(self.host, self.port)
