"""Instruments that can be found from here: on serial ports and over Bluetooth LE.

Each place is asked by the link's hello, as any session begins: that moves nothing and ends no run.  It does write a few
bytes to whatever is there, so a place that is in use, or that the caller objects to, is not asked at all.
"""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from luggin.drivers.api import Driver
from luggin.drivers.errors import DriverError, InUse
from luggin.drivers.link_drivers import BleDriver, SerialDriver
from luggin.drivers.ports import objection, same_port, serial_ports
from luggin.protocol.capability import Identity

_CONNECTING = 8.0


@dataclass(frozen=True)
class Place:
    """Where an instrument may be: the driver and its settings, what the system says of it, in dBm how it is heard."""

    driver: str
    settings: Mapping[str, Any]
    name: str
    description: str
    signal_strength: float | None = None


@dataclass(frozen=True)
class Found:
    """`identity` of what answered.  Else `asked` says whether it was asked, and `reason` why nothing is known."""

    place: Place
    asked: bool = False
    identity: Identity | None = None
    reason: str = ""


@dataclass(frozen=True)
class Wish:
    """What to look for: places by name (device files, Bluetooth addresses or names; none is all of them), the longest
    wait at each in s, and who is asked.  `objects` says of a place why it is not to be asked, else nothing."""

    places: tuple[str, ...] = ()
    seconds: float = 3.0
    baud_rate: int = 115200
    adapter: str | None = None
    ask: bool = True
    objects: Callable[[Place], str] = lambda place: ""

    @property
    def ports(self) -> tuple[str, ...]:
        return tuple(each for each in self.places if "/" in each)

    def names(self, *names: str | None) -> bool:
        return not self.places or any(name in self.places for name in names)


async def find_serial(wish: Wish) -> list[Found]:
    """Every serial port, all asked at once."""
    ports = serial_ports(wish.ports)
    named = [each.device for each in ports if not wish.places or any(same_port(each.device, p) for p in wish.ports)]
    rate = {} if wish.baud_rate == 115200 else {"baud_rate": wish.baud_rate}
    places = [Place("serial", {"port": p.lasting, **rate}, p.device, p.description) for p in ports]
    return await asyncio.gather(*(_look(each, wish, each.name in named, wish.seconds) for each in places))


async def find_ble(wish: Wish) -> list[Found]:
    """Everything that is heard over Bluetooth LE, instruments first, one asked after the other.

    Raises NotReachable where there is no Bluetooth.
    """
    from luggin.drivers.ble_connect import listen

    heard = await listen(wish.adapter, wish.seconds)
    heard.sort(key=lambda each: (not each.speaks, -(each.signal_strength or -200.0), each.device.address))
    adapter = {"adapter": wish.adapter} if wish.adapter else {}
    found = []
    for each in heard:
        address, name = each.device.address, each.device.name or ""
        place = Place("ble", {"address": address, **adapter}, address, name, each.signal_strength)
        if each.speaks:
            found.append(await _look(place, wish, wish.names(address, name), wish.seconds + _CONNECTING))
        else:
            found.append(Found(place, reason="it offers no instrument link"))
    missing = [Place("ble", {}, each, each) for each in wish.places if "/" not in each and not _among(each, found)]
    return found + [Found(each, reason=wish.objects(each) or "it was not heard") for each in missing]


def _among(name: str, found: Sequence[Found]) -> bool:
    return any(name in (each.place.name, each.place.description) for each in found)


async def _look(place: Place, wish: Wish, chosen: bool, timeout: float) -> Found:
    reason = "" if chosen else "it was not named"
    reason = reason or wish.objects(place)
    if not reason and place.driver == "serial":
        reason = await asyncio.to_thread(objection, place.name)
    if not reason and not wish.ask:
        reason = "nobody was to be asked"
    if reason:
        return Found(place, reason=reason)
    driver = _driver(place)
    try:
        async with driver.open(timeout) as session:
            return Found(place, asked=True, identity=session.capability.identity)
    except DriverError as error:
        return Found(place, asked=not isinstance(error, InUse), reason=_short(str(error), driver.address))


def _driver(place: Place) -> Driver:
    return (SerialDriver if place.driver == "serial" else BleDriver).parse(place.settings)


def _short(sentence: str, address: str) -> str:
    """Without the address, which stands beside it."""
    return sentence.removeprefix(address).lstrip(": ").strip()
