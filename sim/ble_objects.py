"""What BlueZ is shown of the simulated instrument: a service with two characteristics, and an advertisement."""

from collections.abc import Awaitable, Callable
from typing import Annotated

from dbus_fast import DBusError, PropertyAccess
from dbus_fast.annotations import DBusBool, DBusBytes, DBusDict, DBusObjectPath, DBusSignature, DBusStr
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

from luggin.protocol.link.gatt import FROM_INSTRUMENT, SERVICE, TO_INSTRUMENT

APPLICATION = "/luggin"
ADVERTISEMENT = "/advertisement"
_SERVICE = f"{APPLICATION}/service0"
_Strings = Annotated[list[str], DBusSignature("as")]


class Service(ServiceInterface):
    path = _SERVICE

    def __init__(self) -> None:
        super().__init__("org.bluez.GattService1")

    @dbus_property(PropertyAccess.READ, "UUID")
    def uuid(self) -> DBusStr:
        return SERVICE

    @dbus_property(PropertyAccess.READ, "Primary")
    def primary(self) -> DBusBool:
        return True


class _Characteristic(ServiceInterface):
    def __init__(self, uuid: str, flags: list[str]) -> None:
        super().__init__("org.bluez.GattCharacteristic1")
        self._uuid, self._flags = uuid, flags

    @dbus_property(PropertyAccess.READ, "UUID")
    def uuid(self) -> DBusStr:
        return self._uuid

    @dbus_property(PropertyAccess.READ, "Service")
    def service(self) -> DBusObjectPath:
        return _SERVICE

    @dbus_property(PropertyAccess.READ, "Flags")
    def flags(self) -> _Strings:
        return self._flags


class ToInstrument(_Characteristic):
    """`heard` gets the bytes, who wrote them (a path of BlueZ) and the ATT_MTU; False when they are not wanted.

    The host's write is answered once it returns.
    """

    path = f"{_SERVICE}/char0"

    def __init__(self, heard: Callable[[bytes, str, int | None], Awaitable[bool]]) -> None:
        super().__init__(TO_INSTRUMENT, ["write"])
        self._heard = heard

    @dbus_method("WriteValue")
    async def write_value(self, value: DBusBytes, options: DBusDict) -> None:
        plain = {name: each.value for name, each in options.items()}
        if not await self._heard(bytes(value), str(plain.get("device", "")), plain.get("mtu")):
            raise DBusError("org.bluez.Error.NotPermitted", "another host uses this instrument")


class FromInstrument(_Characteristic):
    """`silenced` is called when the host wants no more notifications, or has gone."""

    path = f"{_SERVICE}/char1"

    def __init__(self, silenced: Callable[[], None]) -> None:
        super().__init__(FROM_INSTRUMENT, ["notify"])
        self._silenced = silenced
        self._value = b""

    @dbus_property(PropertyAccess.READ, "Value")
    def value(self) -> DBusBytes:
        return self._value

    def notify(self, data: bytes) -> None:
        self._value = data
        self.emit_properties_changed({"Value": data})

    @dbus_method("StartNotify")
    def start_notify(self) -> None:
        """Nothing is to be done: the host speaks first."""

    @dbus_method("StopNotify")
    def stop_notify(self) -> None:
        self._silenced()


class Advertisement(ServiceInterface):
    """`released` is called when BlueZ advertises no more by itself, for instance because Bluetooth is switched off."""

    path = ADVERTISEMENT

    def __init__(self, name: str, released: Callable[[], None]) -> None:
        super().__init__("org.bluez.LEAdvertisement1")
        self._name, self._released = name, released

    @dbus_property(PropertyAccess.READ, "Type")
    def kind(self) -> DBusStr:
        return "peripheral"

    @dbus_property(PropertyAccess.READ, "ServiceUUIDs")
    def services(self) -> _Strings:
        return [SERVICE]

    @dbus_property(PropertyAccess.READ, "LocalName")
    def name(self) -> DBusStr:
        return self._name

    @dbus_method("Release")
    def release(self) -> None:
        self._released()
