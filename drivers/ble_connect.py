"""Finding an instrument over Bluetooth LE and connecting to it, as BlueZ needs it done.

Every connection has a client of its own.  An instrument that the system still holds connected, because a program ended
without letting go, advertises no more and is taken over.  Otherwise: scan, stop scanning, connect; and scan again when
BlueZ forgot it in between.
"""

import asyncio
import random
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

from bleak import BleakClient, BleakScanner
from bleak.args.bluez import BlueZScannerArgs
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakDBusError
from dbus_fast import BusType, Message, MessageType, unpack_variants
from dbus_fast.aio import MessageBus

from luggin.drivers import ble_errors
from luggin.drivers.ble_errors import bounded
from luggin.drivers.ble_stream import BleStream, release
from luggin.drivers.errors import DriverError, InUse, NotReachable, ProtocolViolation
from luggin.protocol.link.gatt import FROM_INSTRUMENT, SERVICE, TO_INSTRUMENT

_SLICE = 2.0
_ASKING = 2.0
"""Seconds that BlueZ may take to answer what is asked beside scanning."""
_NAMESAKES = 0.5
_CONNECT_WITHIN = 6.0
_PAUSE = 0.2
_UNHEARD = -127

# Radios do badly at connecting while they scan: in one program one thing is done at a time, in short slices.
_radios: "WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Lock]" = WeakKeyDictionary()


@dataclass(frozen=True)
class Wanted:
    """Which instrument: by address (capitals, as AA:BB:CC:DD:EE:FF) or by the name it advertises, and the adapter."""

    address: str | None
    name: str | None
    adapter: str | None = None

    def __str__(self) -> str:
        return f"Bluetooth {self.address or repr(self.name)}"

    def fits(self, device: BLEDevice) -> bool:
        return device.address.upper() == self.address if self.address else device.name == self.name


@dataclass(frozen=True)
class Heard:
    """A peripheral that advertises.  `signal_strength` in dBm; `speaks` says that it offers the link's service."""

    device: BLEDevice
    signal_strength: float | None
    speaks: bool


async def open_ble(wanted: Wanted, timeout: float) -> BleStream:
    """Connect within `timeout` seconds.  Raises NotReachable with the reason, ProtocolViolation for another device."""
    loop = asyncio.get_running_loop()
    latest = loop.time() + timeout
    missing = "it was not heard; is it switched on, in range, and connected to nothing else?"
    why = missing
    while (left := latest - loop.time()) > 0:
        try:
            async with _radio(loop):
                seconds = min(left, _SLICE)
                found = await bounded(_find(wanted, seconds), seconds + _ASKING)
                if found is None:
                    why = missing
                    continue
                return await _connected(wanted, found, min(max(latest - loop.time(), 0.0), _CONNECT_WITHIN))
        except DriverError:
            raise
        except Exception as error:  # the library and what it stands on raise many kinds
            why = ble_errors.reason(error)
            if ble_errors.unavailable(error):
                break
        await asyncio.sleep(min(_PAUSE * random.uniform(0.5, 1.5), max(latest - loop.time(), 0.0)))
    raise NotReachable(f"{wanted} can't be reached: {why}")


async def listen(adapter: str | None, seconds: float) -> list[Heard]:
    """All peripherals that are heard within that time.  Raises NotReachable when Bluetooth is not to be had."""
    heard: dict[str, Heard] = {}

    def note(device: BLEDevice, advertisement: AdvertisementData) -> None:
        heard[device.address] = _heard(device, advertisement)

    async def scan() -> None:
        async with BleakScanner(note, bluez=_on(adapter)):
            await asyncio.sleep(seconds)

    try:
        async with _radio(asyncio.get_running_loop()):
            await bounded(scan(), seconds + _ASKING)
    except Exception as error:
        raise NotReachable(f"Bluetooth can't be used: {ble_errors.reason(error)}") from None
    return list(heard.values())


def _on(adapter: str | None) -> BlueZScannerArgs:
    return {"adapter": adapter} if adapter else {}


def _radio(loop: asyncio.AbstractEventLoop) -> asyncio.Lock:
    return _radios.setdefault(loop, asyncio.Lock())


async def _find(wanted: Wanted, seconds: float) -> Heard | None:
    if (device := await _held(wanted)) is not None:
        return Heard(device, None, True)
    found: dict[str, Heard] = {}
    first = asyncio.Event()

    def note(device: BLEDevice, advertisement: AdvertisementData) -> None:
        heard = _heard(device, advertisement)
        if wanted.fits(device) and (wanted.address or heard.speaks):
            found[device.address] = heard
            first.set()

    async with BleakScanner(note, bluez=_on(wanted.adapter)):
        try:
            async with asyncio.timeout(seconds):
                await first.wait()
        except TimeoutError:
            return None
        if wanted.name:
            await asyncio.sleep(_NAMESAKES)  # time for another of this name to advertise
    if len(found) > 1:
        raise NotReachable(f"{wanted}: {' and '.join(sorted(found))} have this name; give the address instead")
    return next(iter(found.values()))


async def _held(wanted: Wanted) -> BLEDevice | None:
    """The instrument, if the system holds it connected.  Raises InUse when somebody here uses it.

    BlueZ itself is asked: the library remembers connections that went down with an earlier BlueZ.
    """
    bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
    try:
        ask = Message("org.bluez", "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
        reply = await bus.call(ask)
    finally:
        bus.disconnect()
    if reply.message_type is MessageType.ERROR:
        raise BleakDBusError(reply.error_name or "", reply.body)
    objects = unpack_variants(reply.body[0])
    for path, interfaces in objects.items():
        found = interfaces.get("org.bluez.Device1", {})
        if not found.get("Connected") or SERVICE not in found.get("UUIDs", ()):
            continue
        device = BLEDevice(found["Address"], found["Alias"], {"path": path, "props": found})
        if wanted.fits(device) and path.startswith(f"/org/bluez/{wanted.adapter or ''}"):
            if any(_notifies(each) for place, each in objects.items() if place.startswith(f"{path}/")):
                # Not to be touched: the system has one connection, whoever lets go of it ends it for all.
                raise InUse(f"{wanted}: another program on this machine uses it; close that first")
            return device
    return None


def _notifies(interfaces: dict[str, dict[str, Any]]) -> bool:
    found = interfaces.get("org.bluez.GattCharacteristic1", {})
    return found.get("UUID") == FROM_INSTRUMENT and bool(found.get("Notifying"))


def _heard(device: BLEDevice, advertisement: AdvertisementData) -> Heard:
    strength = None if advertisement.rssi == _UNHEARD else float(advertisement.rssi)
    return Heard(device, strength, SERVICE in advertisement.service_uuids)


async def _connected(wanted: Wanted, found: Heard, seconds: float) -> BleStream:
    stream = BleStream(found.signal_strength)
    client = BleakClient(found.device, stream.dropped, services=[SERVICE], timeout=seconds)
    try:
        await bounded(client.connect(), seconds)
        to_instrument = client.services.get_characteristic(TO_INSTRUMENT)
        from_instrument = client.services.get_characteristic(FROM_INSTRUMENT)
        if to_instrument is None or from_instrument is None:
            raise ProtocolViolation(f"{wanted} is connected but offers no instrument link; is it the right device?")
        stream.attach(client, to_instrument)
        await bounded(client.start_notify(from_instrument, stream.arrived), seconds)
    except BaseException:
        await release(client)
        raise
    return stream
