"""The tree of objects that the model of BlueZ shows on the bus, and the signals that tell of its changes."""

from dataclasses import dataclass, field
from typing import Any

from dbus_fast import Message, Variant
from dbus_fast.aio import MessageBus

BUS, OBJECTS, PROPERTIES = (
    "org.freedesktop.DBus",
    "org.freedesktop.DBus.ObjectManager",
    "org.freedesktop.DBus.Properties",
)
ADAPTER, DEVICE, SERVICE, CHARACTERISTIC, ADVERTISEMENT = (
    f"org.bluez.{name}" for name in ("Adapter1", "Device1", "GattService1", "GattCharacteristic1", "LEAdvertisement1")
)
Interfaces = dict[str, dict[str, Any]]
CENTRAL, PERIPHERAL = "/org/bluez/hci0", "/org/bluez/hci1"
HOST, INSTRUMENT = "00:00:5E:00:53:01", "00:00:5E:00:53:02"
FAR_HOST = f"{PERIPHERAL}/dev_{HOST.replace(':', '_')}"


class BlueZError(Exception):
    """An answer that is an error: name and text."""


@dataclass
class Remote:
    """A device in range of hci0.  `program` is the bus name behind it, "" for one that only advertises."""

    address: str
    name: str
    services: list[str]
    program: str = ""
    chars: dict[str, str] = field(default_factory=dict)  # UUID -> path in the program
    advertises: bool = True

    @property
    def path(self) -> str:
        return f"{CENTRAL}/dev_{self.address.replace(':', '_')}"


class Tree:
    """`bus` is there once the model was started; `objects` are interfaces and their properties by path."""

    bus: MessageBus
    objects: dict[str, Interfaces]

    def add(self, path: str, interfaces: Interfaces) -> None:
        self.objects[path] = interfaces
        self.bus.send(Message.new_signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces]))

    def remove(self, prefix: str) -> None:
        for path in sorted((each for each in self.objects if each.startswith(prefix)), reverse=True):
            interfaces = list(self.objects.pop(path))
            self.bus.send(Message.new_signal("/", OBJECTS, "InterfacesRemoved", "oas", [path, interfaces]))

    def set(self, path: str, interface: str, **properties: Variant) -> None:
        if path in self.objects:
            self.objects[path][interface].update(properties)
            body = [interface, properties, []]
            self.bus.send(Message.new_signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body))


def device(adapter: str, address: str, name: str, services: list[str]) -> dict[str, Variant]:
    return {
        "Adapter": Variant("o", adapter),
        "Address": Variant("s", address),
        "Alias": Variant("s", name),
        "Name": Variant("s", name),
        "Paired": Variant("b", False),
        "Connected": Variant("b", False),
        "ServicesResolved": Variant("b", False),
        "UUIDs": Variant("as", services),
    }
