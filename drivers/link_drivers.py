"""The drivers for instruments that speak the open instrument link: over a serial port, over TCP, over Bluetooth LE."""

import asyncio
import re
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any, Self

from pydantic import Field, ValidationError, field_validator

from luggin.drivers.api import Session
from luggin.drivers.errors import NotReachable, SettingsError
from luggin.drivers.link import open_link
from luggin.drivers.stream import ByteStream
from luggin.protocol.link.gatt import LONGEST_NAME
from luggin.protocol.problem import Problem, from_validation
from luggin.protocol.program import Frozen

_FOR_CONNECTING = 0.7
"""Share of the time to open a session that finding and connecting may take; the rest is for the first questions."""


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

    async def connect(self, timeout: float) -> ByteStream:
        raise NotImplementedError

    @asynccontextmanager
    async def open(self, timeout: float) -> AsyncIterator[Session]:
        loop = asyncio.get_running_loop()
        latest = loop.time() + timeout
        try:
            async with asyncio.timeout_at(latest):
                stream = await self.connect(timeout)
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

    async def connect(self, timeout: float) -> ByteStream:
        from luggin.drivers.serial_stream import open_serial

        return await open_serial(self.port, self.baud_rate)


class TcpDriver(_LinkDriver):
    """An instrument on the network.  The link has no passwords: the network must be one that can be trusted."""

    host: str = Field(min_length=1, max_length=253, description="name or address of the instrument")
    port: int = Field(ge=1, le=65535, description="TCP port")

    @property
    def address(self) -> str:
        return f"TCP {self.host} port {self.port}"

    async def connect(self, timeout: float) -> ByteStream:
        from luggin.drivers.tcp_stream import open_tcp

        return await open_tcp(self.host, self.port)


class BleDriver(_LinkDriver):
    """An instrument over Bluetooth LE, named by its address or by the name that it advertises.

    The link has no passwords: an instrument that can energise a cell should talk to paired hosts only.  Pairing is done
    once, with the system's own tools.
    """

    address_: str | None = Field(None, alias="address", description="e.g. AA:BB:CC:DD:EE:FF")
    name: str | None = Field(None, min_length=1, max_length=LONGEST_NAME, description="the name it advertises")
    adapter: str | None = Field(None, description="which radio of this machine, e.g. hci1; else the first")

    @field_validator("address_")
    @classmethod
    def _bluetooth_address(cls, address: str | None) -> str | None:
        if address is not None and not re.fullmatch("([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}", address):
            raise ValueError("write it as AA:BB:CC:DD:EE:FF; `luggin discover` lists the instruments in range")
        return address and address.upper()

    @field_validator("adapter")
    @classmethod
    def _adapter_of_linux(cls, adapter: str | None) -> str | None:
        if adapter is not None and not re.fullmatch("hci[0-9]{1,2}", adapter):
            raise ValueError("write hci0, hci1 ...; `bluetoothctl list` shows the adapters")
        return adapter

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self:
        made = super().parse(settings)
        if (made.address_ is None) == (made.name is None):
            both = "both an address and a name are given" if made.name else "neither an address nor a name is given"
            raise SettingsError([Problem("address", made.address_, both, "give one; an address can't be mistaken")])
        return made

    @property
    def address(self) -> str:
        return f"Bluetooth {self.address_ or repr(self.name)}"

    async def connect(self, timeout: float) -> ByteStream:
        from luggin.drivers.ble_connect import Wanted, open_ble

        return await open_ble(Wanted(self.address_, self.name, self.adapter), timeout * _FOR_CONNECTING)
