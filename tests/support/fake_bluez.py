"""A model of bluetoothd with two adapters in range of each other, on a private bus: no radio, no timing of one.

Programs on hci0 scan, connect, write and are notified; a program on hci1 offers a service and advertises.  What one
side does reaches the other as BlueZ 5.66 would carry it: paths, errors, properties, one signal for each subscriber,
notifications cut at the ATT_MTU, an application's StopNotify when the last subscriber or the link has gone.  It can
drop links, forget devices, die and come back.
"""

import asyncio
import contextlib
from collections.abc import Coroutine
from typing import Any

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from support.fake_bluez_tree import (
    ADAPTER,
    ADVERTISEMENT,
    BUS,
    CENTRAL,
    CHARACTERISTIC,
    DEVICE,
    FAR_HOST,
    HOST,
    INSTRUMENT,
    OBJECTS,
    PERIPHERAL,
    PROPERTIES,
    SERVICE,
    BlueZError,
    Interfaces,
    Remote,
    Tree,
    device,
)

BEAT = 0.02


class FakeBlueZ(Tree):
    """`fails` makes a method fail so many times: member -> errors.  `signal_strength` in dBm.

    `absent`: the instrument is out of range.  `hangs`: nothing is answered.  `paired`: the two ends are, and then an
    instrument is not told to stop notifying when the link is lost (BlueZ 5.66, att_disconnected).
    """

    def __init__(self, mtu: int = 247, powered: bool = True, adapters: bool = True) -> None:
        self.mtu, self.powered, self.adapters = mtu, powered, adapters
        self.signal_strength, self.absent, self.hangs, self.paired = -61, False, False, False
        self.fails: dict[str, list[BlueZError]] = {}
        self.log: list[str] = []
        self.writes: list[bytes] = []

    async def start(self) -> None:
        """Also after `die`: bluetoothd comes back and knows nothing."""
        self.objects = {}
        self.remotes: dict[str, Remote] = {}
        self.subscribers: set[str] = set()
        self._offered: dict[str, Remote] = {}  # program -> what it registered
        self._scanning: set[str] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._epoch = 0
        self.bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
        self.bus.add_message_handler(self._handle)
        await self.bus.request_name("org.bluez")
        for rule in ("member='NameOwnerChanged'", f"interface='{PROPERTIES}',member='PropertiesChanged'"):
            await self._ask(BUS, "/org/freedesktop/DBus", BUS, "AddMatch", "s", f"type='signal',{rule}")
        powered = Variant("b", self.powered)
        if self.adapters:
            roles = Variant("as", ["central"])
            self.add(CENTRAL, {ADAPTER: {"Address": Variant("s", HOST), "Powered": powered, "Roles": roles}})
            roles = Variant("as", ["peripheral"])
            adapter = {"Address": Variant("s", INSTRUMENT), "Powered": powered, "Roles": roles}
            managers: Interfaces = {"org.bluez.GattManager1": {}, "org.bluez.LEAdvertisingManager1": {}}
            self.add(PERIPHERAL, {ADAPTER: adapter, **managers})
        self._spawn(self._advertise())

    async def die(self) -> None:
        """Without a word, as a crash does; the radio link dies with it."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.bus.disconnect()
        with contextlib.suppress(Exception):
            await self.bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    # What happens to the radio

    async def drop(self) -> None:
        """The link is lost; what is under way is lost with it."""
        self._epoch += 1
        for remote in self.remotes.values():
            if not self._connected(remote):
                continue
            self.set(remote.path, DEVICE, ServicesResolved=Variant("b", False), Connected=Variant("b", False))
            self._silence(remote)
            if remote.program:
                self.set(FAR_HOST, DEVICE, Connected=Variant("b", False))
                if not self.paired:
                    await self._stop_notify(remote)

    def forget(self) -> None:
        """BlueZ deletes devices that are not paired and not connected, after a while; here at once."""
        for remote in self.remotes.values():
            if not self._connected(remote):
                self.remove(remote.path)

    def stranger(self, address: str, name: str, services: list[str]) -> Remote:
        """Something else in range that advertises, and never answers."""
        self.remotes[address] = remote = Remote(address, name, services)
        return remote

    async def _advertise(self) -> None:
        while True:
            for remote in self.remotes.values():
                if remote.advertises and not self.absent and self._scanning and not self._connected(remote):
                    self._hear(remote)
            await asyncio.sleep(BEAT)

    def _hear(self, remote: Remote) -> None:
        self.signal_strength = -123 - self.signal_strength  # BlueZ tells of changes only
        if remote.path in self.objects:
            return self.set(remote.path, DEVICE, RSSI=Variant("n", self.signal_strength))
        properties = device(CENTRAL, remote.address, remote.name, remote.services)
        properties["RSSI"] = Variant("n", self.signal_strength)
        return self.add(remote.path, {DEVICE: properties})

    # What the objects tell

    def _connected(self, remote: Remote) -> bool:
        return remote.path in self.objects and bool(self.objects[remote.path][DEVICE]["Connected"].value)

    def _silence(self, remote: Remote) -> None:
        if self.subscribers:
            self.subscribers.clear()
            self.set(self._char(remote, "notify"), CHARACTERISTIC, Notifying=Variant("b", False))

    @staticmethod
    def _char(remote: Remote, which: str) -> str:
        return f"{remote.path}/service0010/{'char0011' if which == 'write' else 'char0013'}"

    # Calls

    def _handle(self, message: Message) -> bool | None:
        if message.message_type is MessageType.SIGNAL:
            self._hear_signal(message)
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        self.log.append(message.member or "")
        if not self.hangs:
            self._spawn(self._reply(message))
        return True

    async def _reply(self, message: Message) -> None:
        try:
            self.bus.send(Message.new_method_return(message, *await self._call(message)))
        except BlueZError as error:
            self.bus.send(Message.new_error(message, *error.args))

    async def _call(self, message: Message) -> tuple[str, list[Any]]:
        member, path, body, sender = message.member or "", message.path or "", message.body, message.sender or ""
        if self.fails.get(member):
            raise self.fails[member].pop(0)
        if member == "GetManagedObjects":
            return "a{oa{sa{sv}}}", [self.objects]
        if path not in self.objects:
            raise BlueZError(f"{BUS}.Error.UnknownObject", path)
        if path in (CENTRAL, PERIPHERAL) and not self.powered:
            raise BlueZError("org.bluez.Error.NotReady", "Resource Not Ready")
        remote = next((each for each in self.remotes.values() if path.startswith(each.path)), None)
        match member:
            case "StartDiscovery":
                self._scanning.add(sender)
            case "StopDiscovery":
                self._scanning.discard(sender)
            case "SetDiscoveryFilter":
                pass
            case "RegisterApplication":
                await self._register(sender, body[0])
            case "RegisterAdvertisement":
                await self._register_advertisement(sender, body[0])
            case "Connect" if remote:
                await self._connect(remote)
            case "Disconnect":
                await self.drop()
            case "StartNotify" if remote:
                await self._start_notify(remote, sender)
            case "WriteValue" if remote:
                await self._write(remote, body[0], body[1]["type"].value)
            case _:
                raise BlueZError(f"{BUS}.Error.UnknownMethod", member)
        return "", []

    async def _connect(self, remote: Remote) -> None:
        epoch = self._epoch
        while self.absent or not remote.program:  # the call stays open until the device is heard, or given up
            if epoch != self._epoch:
                raise BlueZError("org.bluez.Error.Failed", "le-connection-abort-by-local")
            await asyncio.sleep(BEAT)
        self.set(remote.path, DEVICE, Connected=Variant("b", True))
        self.add(FAR_HOST, {DEVICE: device(PERIPHERAL, HOST, "host", []) | {"Connected": Variant("b", True)}})
        service = f"{remote.path}/service0010"
        if service not in self.objects:
            properties = {
                "UUID": Variant("s", remote.services[0]),
                "Device": Variant("o", remote.path),
                "Primary": Variant("b", True),
            }
            self.add(service, {SERVICE: properties})
            for which, uuid in (("write", remote.chars["write uuid"]), ("notify", remote.chars["notify uuid"])):
                properties = {
                    "UUID": Variant("s", uuid),
                    "Service": Variant("o", service),
                    "Flags": Variant("as", [which]),
                    "MTU": Variant("q", self.mtu),
                }
                self.add(self._char(remote, which), {CHARACTERISTIC: properties})
        self.set(remote.path, DEVICE, ServicesResolved=Variant("b", True))

    async def _start_notify(self, remote: Remote, sender: str) -> None:
        self._require_link(remote)
        if not self.subscribers:
            await self._ask(remote.program, remote.chars["notify"], CHARACTERISTIC, "StartNotify")
        self.subscribers.add(sender)
        self.set(self._char(remote, "notify"), CHARACTERISTIC, Notifying=Variant("b", True))

    async def _stop_notify(self, remote: Remote) -> None:
        with contextlib.suppress(BlueZError):
            await self._ask(remote.program, remote.chars["notify"], CHARACTERISTIC, "StopNotify")

    async def _write(self, remote: Remote, data: bytes, kind: str) -> None:
        self._require_link(remote)
        if kind != "request":
            raise BlueZError("org.bluez.Error.NotSupported", "Operation is not supported")
        if len(data) > min(self.mtu - 3, 512):
            raise BlueZError("org.bluez.Error.Failed", "Operation failed with ATT error: 0x0d")  # no long writes here
        self.writes.append(bytes(data))
        options = {
            "device": Variant("o", FAR_HOST),
            "link": Variant("s", "LE"),
            "mtu": Variant("q", self.mtu),
            "type": Variant("s", kind),
        }
        await self._ask(
            remote.program, remote.chars["write"], CHARACTERISTIC, "WriteValue", "aya{sv}", bytes(data), options
        )

    def _require_link(self, remote: Remote) -> None:
        if not self._connected(remote):
            raise BlueZError("org.bluez.Error.Failed", "Not connected")

    async def _register(self, program: str, path: str) -> None:
        objects = (await self._ask(program, path, OBJECTS, "GetManagedObjects"))[0]
        chars: dict[str, str] = {}
        for place, interfaces in objects.items():
            if properties := interfaces.get(CHARACTERISTIC):
                which = properties["Flags"].value[0]
                chars |= {which: place, f"{which} uuid": properties["UUID"].value}
        services = [each[SERVICE]["UUID"].value for each in objects.values() if SERVICE in each]
        if not services or set(chars) != {"write", "write uuid", "notify", "notify uuid"}:
            raise BlueZError("org.bluez.Error.Failed", "No object received")
        self._offered[program] = Remote(INSTRUMENT, "", services, program, chars)

    async def _register_advertisement(self, program: str, path: str) -> None:
        found = (await self._ask(program, path, PROPERTIES, "GetAll", "s", ADVERTISEMENT))[0]
        remote = self._offered.get(program)
        if remote is None or found["Type"].value != "peripheral" or not found["ServiceUUIDs"].value:
            raise BlueZError("org.bluez.Error.Failed", "Failed to parse advertisement.")
        if len(found["LocalName"].value.encode()) > 29:
            raise BlueZError("org.bluez.Error.InvalidLength", "Advertising data too long")
        remote.name, remote.services = found["LocalName"].value, found["ServiceUUIDs"].value
        self.remotes[INSTRUMENT] = remote

    async def _ask(self, to: str, path: str, interface: str, member: str, signature: str = "", *body: Any) -> list[Any]:
        reply = await self.bus.call(Message(to, path, interface, member, signature=signature, body=list(body)))
        if reply.message_type is MessageType.ERROR:
            raise BlueZError(reply.error_name, *reply.body[:1])
        return list(reply.body)

    # Signals

    def _hear_signal(self, message: Message) -> None:
        if message.member == "NameOwnerChanged" and not message.body[2]:
            self._left(message.body[0])
        elif message.member == "PropertiesChanged" and message.body[0] == CHARACTERISTIC:
            remote = next((each for each in self.remotes.values() if each.program == message.sender), None)
            if remote is not None and remote.chars["notify"] == message.path and "Value" in message.body[1]:
                self._notify(remote, bytes(message.body[1]["Value"].value))

    def _notify(self, remote: Remote, data: bytes) -> None:
        for _ in self.subscribers if self._connected(remote) else ():
            self.set(self._char(remote, "notify"), CHARACTERISTIC, Value=Variant("ay", data[: min(self.mtu - 3, 512)]))

    def _left(self, name: str) -> None:
        """A program closed its connection to the bus."""
        self._scanning.discard(name)
        if name in self.subscribers:
            self.subscribers.discard(name)
            for remote in self.remotes.values():
                if not self.subscribers and remote.program:
                    self.set(self._char(remote, "notify"), CHARACTERISTIC, Notifying=Variant("b", False))
                    self._spawn(self._stop_notify(remote))
        if name in self._offered:
            for address in [each.address for each in self.remotes.values() if each.program == name]:
                self.set(
                    self.remotes[address].path,
                    DEVICE,
                    ServicesResolved=Variant("b", False),
                    Connected=Variant("b", False),
                )
                self.remove(self.remotes.pop(address).path)
            del self._offered[name]

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
