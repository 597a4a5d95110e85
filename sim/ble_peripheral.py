"""The simulated instrument as a Bluetooth LE peripheral of this machine, through BlueZ.

BlueZ says nothing of connections as such.  One begins with the first write of a host, and ends when it wants no more
notifications, when its device object reads disconnected (of a paired host BlueZ says only that), or with BlueZ itself.
"""

import asyncio
import contextlib
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from bleak.exc import BleakDBusError
from dbus_fast import BusType, Message, MessageType, Variant, unpack_variants
from dbus_fast.aio import MessageBus

from luggin.drivers import ble_errors
from luggin.drivers.ble_errors import bounded
from luggin.drivers.errors import NotReachable, SettingsError
from luggin.drivers.stream import CLOSING
from luggin.protocol.link.gatt import LONGEST_NAME
from luggin.protocol.problem import Problem
from luggin.sim.ble_objects import ADVERTISEMENT, APPLICATION, Advertisement, FromInstrument, Service, ToInstrument
from luggin.sim.ble_stream import PeripheralStream
from luggin.sim.serve import Attends

_BLUEZ, _BUS, _PROPERTIES = "org.bluez", "org.freedesktop.DBus", "org.freedesktop.DBus.Properties"
_OBJECTS = "org.freedesktop.DBus.ObjectManager"
_GATT, _ADVERTISING = "org.bluez.GattManager1", "org.bluez.LEAdvertisingManager1"
_SIGNALS = (
    f"type='signal',sender='{_BUS}',member='NameOwnerChanged',arg0='{_BLUEZ}'",
    f"type='signal',sender='{_BLUEZ}',interface='{_PROPERTIES}',member='PropertiesChanged'",
    f"type='signal',sender='{_BLUEZ}',interface='{_OBJECTS}',member='InterfacesRemoved'",
)
_REGISTER_WITHIN = 10.0
_PAUSE = 1.0


class BleLine:
    """Advertises under a name.  Serves one host at a time; others are refused."""

    def __init__(self, name: str) -> None:
        if not 0 < len(name.encode()) <= LONGEST_NAME:
            raise SettingsError(
                [Problem("ble", name, "this does not fit an advertisement", f"give 1 to {LONGEST_NAME} bytes")]
            )
        self._name = name

    async def attend(self, shell: Attends, say: Callable[[str], None]) -> None:
        """Runs for ever.  Raises NotReachable when it can't even begin; later it tries again and again."""
        said = ""
        async with _registered(self._name) as station:
            say(f"ble {station.address} {self._name}")
            await station.serve(shell)
        while True:
            try:
                async with _registered(self._name) as station:
                    said = ""
                    await station.serve(shell)
            except NotReachable as error:
                if str(error) != said:
                    said = str(error)
                    sys.stderr.write(f"{said}; trying again\n")
            await asyncio.sleep(_PAUSE)


class _Station:
    """What BlueZ was told of, as long as that holds."""

    def __init__(self, bus: MessageBus, name: str) -> None:
        self._bus = bus
        self._adapter = self.address = ""
        self._stream: PeripheralStream | None = None
        self._begun: asyncio.Queue[PeripheralStream] = asyncio.Queue()
        self._gone = asyncio.Event()
        self._from = FromInstrument(self._end)
        for each in (Service(), ToInstrument(self._heard), self._from, Advertisement(name, self._gone.set)):
            bus.export(each.path, each)
        bus.add_message_handler(self._signal)

    async def register(self) -> None:
        for rule in _SIGNALS:
            await self._call("AddMatch", "s", rule, to=_BUS, path="/org/freedesktop/DBus", interface=_BUS)
        objects = unpack_variants((await self._call("GetManagedObjects", path="/", interface=_OBJECTS))[0])
        self._adapter = _able(objects)
        self.address = objects[self._adapter]["org.bluez.Adapter1"]["Address"]
        for interface, member, path in (
            (_GATT, "RegisterApplication", APPLICATION),
            (_ADVERTISING, "RegisterAdvertisement", ADVERTISEMENT),
        ):
            await self._call(member, "oa{sv}", path, {}, path=self._adapter, interface=interface)

    async def serve(self, shell: Attends) -> None:
        """Until BlueZ knows nothing of this any more."""
        jobs = [
            asyncio.create_task(self._attend(shell), name="hosts"),
            asyncio.create_task(self._gone.wait(), name="BlueZ has gone"),
            asyncio.create_task(self._bus_gone(), name="the bus has gone"),
        ]
        try:
            await asyncio.wait(jobs, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for job in jobs:
                job.cancel()
            outcomes = await asyncio.gather(*jobs, return_exceptions=True)
            self._end()
        if isinstance(outcomes[0], Exception):
            raise outcomes[0]

    async def _bus_gone(self) -> None:
        await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    async def _attend(self, shell: Attends) -> None:
        while True:
            await shell.attend(await self._begun.get())

    async def _heard(self, data: bytes, owner: str, mtu: int | None) -> bool:
        stream = self._stream
        if stream is None or stream.ended:
            stream = self._stream = PeripheralStream(owner, self._notify, self._hang_up)
            self._begun.put_nowait(stream)
        if stream.owner != owner:
            return False
        stream.mtu = mtu or stream.mtu
        await stream.heard(data)
        return True

    def _end(self) -> None:
        if self._stream is not None:
            self._stream.end()

    def _signal(self, message: Message) -> None:
        if message.message_type is not MessageType.SIGNAL:
            return
        owner = None if self._stream is None else self._stream.owner
        match message.member, message.body:
            case "NameOwnerChanged", [_, _, new]:
                self._lost(not new)
            case "PropertiesChanged", ["org.bluez.Adapter1", {"Powered": Variant(value=False)}, _]:
                self._lost(message.path == self._adapter)
            case "PropertiesChanged", ["org.bluez.Device1", {"Connected": Variant(value=False)}, _]:
                if message.path == owner:
                    self._end()
            case "InterfacesRemoved", [path, _]:
                self._lost(path == self._adapter)
                if path == owner:
                    self._end()

    def _lost(self, gone: bool) -> None:
        if gone:
            self._gone.set()

    async def _notify(self, data: bytes) -> None:
        try:
            self._from.notify(data)
            # The bus takes messages without end and closes when it can't; this waits until it has taken this one.
            await self._call("GetId", to=_BUS, path="/org/freedesktop/DBus", interface=_BUS)
        except Exception as error:
            raise BrokenPipeError(f"the system bus is gone: {error}") from None

    async def _hang_up(self, owner: str) -> None:
        with contextlib.suppress(Exception):  # gone already, or BlueZ with it
            await bounded(self._call("Disconnect", path=owner, interface="org.bluez.Device1"), CLOSING / 2)

    async def _call(
        self, member: str, signature: str = "", *body: Any, to: str = _BLUEZ, path: str, interface: str
    ) -> list[Any]:
        reply = await self._bus.call(Message(to, path, interface, member, signature=signature, body=list(body)))
        if reply.message_type is MessageType.ERROR:
            raise BleakDBusError(reply.error_name or "", reply.body)
        return list(reply.body)


@asynccontextmanager
async def _registered(name: str) -> AsyncIterator[_Station]:
    """Raises NotReachable, in one sentence."""
    bus = None
    try:
        try:
            bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
            station = _Station(bus, name)
            await bounded(station.register(), _REGISTER_WITHIN)
        except NotReachable:
            raise
        except Exception as error:
            words = f"no instrument can be offered over Bluetooth: {ble_errors.reason(error)}"
            raise NotReachable(words) from None
        yield station
    finally:
        if bus is not None:
            bus.disconnect()


def _able(objects: dict[str, dict[str, dict[str, Any]]]) -> str:
    """The path of an adapter that can be a peripheral."""
    adapters = {path: each for path, each in objects.items() if "org.bluez.Adapter1" in each}
    able = {path: each for path, each in adapters.items() if _GATT in each and _ADVERTISING in each}
    powered = [path for path, each in able.items() if each["org.bluez.Adapter1"].get("Powered")]
    if powered:
        return min(powered)
    reason = (
        "this machine has no Bluetooth adapter; plug one in"
        if not adapters
        else "no Bluetooth adapter of this machine can be a peripheral"
        if not able
        else "Bluetooth is switched off; `bluetoothctl power on` switches it on"
    )
    raise NotReachable(f"no instrument can be offered over Bluetooth: {reason}")
