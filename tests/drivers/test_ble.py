"""Bluetooth LE, both shipped ends against a model of BlueZ: what a radio, BlueZ and its users do to a link."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from dbus_fast import BusType, Message
from dbus_fast.aio import MessageBus

from luggin.drivers import ble_connect, ble_errors, ble_stream
from luggin.drivers.ble_connect import Wanted, listen, open_ble
from luggin.drivers.errors import LinkLost, NotReachable, ProtocolViolation
from luggin.drivers.link_drivers import BleDriver
from luggin.drivers.stream import ByteStream
from luggin.protocol.instrument import Activity
from luggin.protocol.link.gatt import SERVICE
from luggin.sim.ble_peripheral import BleLine
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import Shell
from support.bench import RUN, hold, program
from support.fake_bluez import FakeBlueZ
from support.fake_bluez_tree import INSTRUMENT, BlueZError
from support.private_bus import ADDRESS, has_dbus, private_bus
from support.radio import NAME, driver, peripheral, radio

pytestmark = has_dbus
HERE = Wanted(INSTRUMENT, None)
OTHER = "00:00:5E:00:53:03"


@asynccontextmanager
async def instrument(**settings: Any) -> AsyncIterator[FakeBlueZ]:
    """A simulated instrument in range."""
    async with radio(**settings) as bluez:
        shell = Shell(Rig(Settings.parse({"cell": "dummy-resistor"}), asyncio.get_running_loop().time()))
        working = asyncio.create_task(shell.work())
        async with peripheral(shell):
            yield bluez
        working.cancel()
        await asyncio.gather(working, return_exceptions=True)


@pytest.fixture
async def bluez() -> AsyncIterator[FakeBlueZ]:
    async with instrument() as made:
        yield made


class Program:
    """Another program on the host's machine."""

    async def __aenter__(self) -> "Program":
        self.bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
        return self

    async def __aexit__(self, *_: object) -> None:
        self.bus.disconnect()

    async def call(self, path: str, interface: str, member: str, signature: str = "", *body: object) -> None:
        path = f"/org/bluez/hci0/dev_{INSTRUMENT.replace(':', '_')}{path}"
        message = Message("org.bluez", path, f"org.bluez.{interface}", member, signature=signature, body=list(body))
        reply = await self.bus.call(message)
        assert reply.error_name is None, reply.body

    async def connect(self) -> None:
        await self.call("", "Device1", "Connect")

    async def subscribe(self) -> None:
        await self.call("/service0010/char0013", "GattCharacteristic1", "StartNotify")


async def heard_once(bluez: FakeBlueZ) -> None:
    """BlueZ has an object of the instrument."""
    assert [each.device.address for each in await listen(None, 0.1)] == [INSTRUMENT]


async def lost(session: Any) -> LinkLost:
    with pytest.raises(LinkLost) as caught:
        async for _ in session.news():
            pass
    return caught.value


async def test_by_name_and_by_address(bluez: FakeBlueZ) -> None:
    async with BleDriver.parse({"name": NAME}).open(5.0) as session:
        assert session.capability.identity.model == "bench"
    async with BleDriver.parse({"address": INSTRUMENT.lower(), "adapter": "hci0"}).open(5.0) as session:
        assert (await session.status()).activity is Activity.IDLE


async def test_scanning_has_stopped_before_connecting_and_nothing_is_left_behind(bluez: FakeBlueZ) -> None:
    async with driver().open(5.0):
        pass
    order = [each for each in bluez.log if each in ("StartDiscovery", "StopDiscovery", "Connect", "Disconnect")]
    assert order == ["StartDiscovery", "StopDiscovery", "Connect", "Disconnect"]
    assert not bluez.subscribers


async def test_the_signal_heard_when_connecting_is_in_the_reading(bluez: FakeBlueZ) -> None:
    async with driver().open(5.0) as session:
        assert (await session.read()).signal_strength in (-61.0, -62.0)


@pytest.mark.parametrize("mtu", [23, 64])
async def test_pieces_fit_the_connection(mtu: int) -> None:
    async with instrument(mtu=mtu) as bluez, driver().open(5.0) as session:
        await session.arm(RUN, program(hold(0.1, 1.0)))
        assert max(map(len, bluez.writes)) == mtu - 3
        assert (await session.status()).activity is Activity.ARMED


async def test_pieces_fit_an_attribute_however_large_the_packets() -> None:
    async with instrument(mtu=517) as bluez:
        stream = await open_ble(HERE, 5.0)
        await stream.write(bytes(1300))
        assert [len(each) for each in bluez.writes] == [512, 512, 276]
        await stream.close()


async def test_a_drop_is_noticed_and_the_next_session_hears_everything_once(bluez: FakeBlueZ) -> None:
    for _ in range(3):
        stream = await open_ble(HERE, 5.0)
        await bluez.drop()
        with pytest.raises(ConnectionResetError, match="the radio link dropped"):
            await stream.read()
        with pytest.raises(ConnectionResetError):
            await stream.write(b"0")
        await stream.close()
    async with driver().open(5.0) as session:
        assert len(bluez.subscribers) == 1
        await bluez.drop()
        assert "the radio link dropped" in str(await lost(session))


@pytest.mark.parametrize("paired", [False, True])
async def test_the_instrument_notices_a_drop_too(paired: bool) -> None:
    """Of a paired host, BlueZ says only that its device is no longer connected."""
    streams: asyncio.Queue[ByteStream] = asyncio.Queue()

    class Listener:
        async def attend(self, stream: ByteStream, begun: bytes = b"") -> None:
            streams.put_nowait(stream)

    async with radio() as bluez, peripheral(Listener()):
        bluez.paired = paired
        for number in range(2):
            host = await open_ble(HERE, 5.0)
            await host.write(b"%d" % number)
            stream = await streams.get()
            assert await stream.read() == b"%d" % number
            await bluez.drop()
            assert await stream.read() == b""
            with pytest.raises(BrokenPipeError):
                await stream.write(b"0")
            await host.close()


async def test_an_instrument_that_hangs_up_drops_the_link(bluez: FakeBlueZ) -> None:
    async with Hanging() as far:
        stream = await open_ble(Wanted(None, "hangs-up"), 5.0)
        await stream.write(b"0")
        await (await far.get()).close()
        with pytest.raises(ConnectionResetError):
            await stream.read()
        await stream.close()


@asynccontextmanager
async def Hanging() -> AsyncIterator[asyncio.Queue[ByteStream]]:  # noqa: N802
    streams: asyncio.Queue[ByteStream] = asyncio.Queue()

    class Listener:
        async def attend(self, stream: ByteStream, begun: bytes = b"") -> None:
            streams.put_nowait(stream)

    async with peripheral(Listener(), "hangs-up"):
        yield streams


async def test_bluez_dies_and_comes_back(bluez: FakeBlueZ) -> None:
    async with driver().open(5.0) as session:
        await bluez.die()
        assert "the Bluetooth service does not answer" in str(await lost(session))
    with pytest.raises(NotReachable, match=r"can't be reached: the Bluetooth service does not answer; is BlueZ inst"):
        async with driver().open(5.0):
            pass
    await bluez.start()
    async with driver().open(5.0) as session:
        assert (await session.status()).activity is Activity.IDLE


async def test_bluez_that_hangs_holds_nothing_up_for_ever(bluez: FakeBlueZ, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("ble_stream.WRITE_WITHIN", "ble_stream.CLOSING", "ble_errors._ENDING", "ble_connect._ASKING"):
        monkeypatch.setattr(f"luggin.drivers.{name}", 0.05)
    stream = await open_ble(HERE, 5.0)
    bluez.hangs = True
    with pytest.raises(ConnectionResetError, match="a write failed: it did not answer in time"):
        await stream.write(b"0")
    await stream.close()
    with pytest.raises(NotReachable, match="it did not answer in time"):
        await open_ble(HERE, 0.1)
    bluez.hangs = False


async def test_a_device_that_bluez_forgot_is_looked_for_again(bluez: FakeBlueZ) -> None:
    gone = BlueZError("org.freedesktop.DBus.Error.UnknownObject", "no such object")
    bluez.fails = {"Connect": [gone, BlueZError("org.bluez.Error.Failed", "Software caused connection abort")]}
    async with driver().open(5.0):
        assert bluez.log.count("StartDiscovery") == 3
    bluez.forget()
    async with driver().open(5.0):
        pass


async def test_connected_and_silent_is_not_reached() -> None:
    """What the system says of a connection counts for nothing."""

    class Mute:
        async def attend(self, stream: ByteStream, begun: bytes = b"") -> None:
            while await stream.read():
                pass

    async with radio() as bluez, peripheral(Mute()):
        with pytest.raises(NotReachable, match="no instrument answered within"):
            async with driver().open(0.5):
                pass
        assert "Disconnect" in bluez.log


async def test_out_of_range(bluez: FakeBlueZ) -> None:
    bluez.absent = True
    with pytest.raises(NotReachable, match=f"Bluetooth {INSTRUMENT} can't be reached: it was not heard; is it switch"):
        await open_ble(HERE, 0.1)
    bluez.absent = False
    await (await open_ble(HERE, 5.0)).close()


async def test_one_that_was_heard_and_does_not_answer(bluez: FakeBlueZ, monkeypatch: pytest.MonkeyPatch) -> None:
    bluez.stranger(OTHER, "mute", [SERVICE])
    with pytest.raises(NotReachable, match="it did not answer in time"):
        await open_ble(Wanted(OTHER, None), 0.3)


async def test_of_two_with_one_name_none_is_chosen(bluez: FakeBlueZ) -> None:
    bluez.stranger(OTHER, NAME, [SERVICE])
    with pytest.raises(NotReachable, match=f"{INSTRUMENT} and {OTHER} have this name; give the address instead"):
        await open_ble(Wanted(None, NAME), 5.0)


async def test_a_namesake_that_is_no_instrument_is_no_obstacle(bluez: FakeBlueZ) -> None:
    bluez.stranger(OTHER, NAME, [])
    await (await open_ble(Wanted(None, NAME), 5.0)).close()


async def test_what_a_program_that_died_left_connected_is_taken_over(bluez: FakeBlueZ) -> None:
    await heard_once(bluez)
    async with Program() as dead:
        await dead.connect()
        await dead.subscribe()
    bluez.log.clear()
    async with driver().open(5.0) as session:
        assert (await session.status()).activity is Activity.IDLE
        assert not {"Connect", "StartDiscovery"} & set(bluez.log)


async def test_what_another_program_uses_is_left_alone(bluez: FakeBlueZ) -> None:
    await heard_once(bluez)
    async with Program() as other:
        await other.connect()
        await other.subscribe()
        with pytest.raises(NotReachable, match="another program on this machine uses it"):
            await open_ble(HERE, 5.0)
        assert len(bluez.subscribers) == 1
        assert "Disconnect" not in bluez.log


async def test_a_second_host_is_refused_while_the_first_is_there() -> None:
    """As a second machine would be: the model's only radio stands in for it."""
    answers: list[bool] = []
    answered = asyncio.Event()

    class Listener:
        async def attend(self, stream: ByteStream, begun: bytes = b"") -> None:
            answers.append(await station._heard(b"me too", "/org/bluez/hci1/dev_elsewhere", 23))
            answers.append(await station._heard(b"and I", stream.owner, 23))  # type: ignore[attr-defined]
            answered.set()

    from luggin.sim import ble_peripheral

    async with radio(), ble_peripheral._registered(NAME) as station:
        serving = asyncio.create_task(station.serve(Listener()))
        host = await open_ble(HERE, 5.0)
        await host.write(b"0")
        await answered.wait()
        assert answers == [False, True]
        await host.close()
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)


@pytest.mark.parametrize("member", ["StartNotify", "WriteValue"])
async def test_an_instrument_that_wants_to_be_paired(bluez: FakeBlueZ, member: str) -> None:
    bluez.fails = {member: [BlueZError("org.bluez.Error.NotPermitted", "Not paired")] * 100}
    with pytest.raises(NotReachable, match="it talks to paired hosts only; pair it once with `bluetoothctl`"):
        async with driver().open(0.5):
            pass


async def test_something_else_at_this_address(bluez: FakeBlueZ) -> None:
    bluez.remotes[INSTRUMENT].chars["write uuid"] = "00002a00-0000-1000-8000-00805f9b34fb"
    with pytest.raises(ProtocolViolation, match="offers no instrument link; is it the right device"):
        await open_ble(HERE, 5.0)


async def test_more_than_can_be_taken_ends_the_stream(bluez: FakeBlueZ, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_stream, "_MOST_WAITING", 100)
    stream = await open_ble(HERE, 5.0)
    for remote in bluez.remotes.values():
        for _ in range(2):
            bluez._notify(remote, bytes(60))
    await bluez.bus.call(Message("org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus", "GetId"))
    assert len(await stream.read()) == 60
    with pytest.raises(ConnectionResetError, match="more came than could be taken"):
        await stream.read()
    await stream.close()


# What is missing on a machine, said in one sentence by either end.


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"adapters": False}, "this machine has no Bluetooth adapter; plug one in"),
        ({"powered": False}, "Bluetooth is switched off; `bluetoothctl power on` switches it on"),
    ],
)
async def test_no_radio(settings: dict[str, bool], said: str) -> None:
    async with radio(**settings):
        with pytest.raises(NotReachable, match=f"{INSTRUMENT} can't be reached: {said}"):
            await open_ble(HERE, 5.0)
        with pytest.raises(NotReachable, match=f"can't be used: {said}"):
            await listen(None, 0.1)
        with pytest.raises(NotReachable, match=f"no instrument can be offered over Bluetooth: {said}"):
            await BleLine(NAME).attend(None, print)  # type: ignore[arg-type]


async def test_an_adapter_that_is_not_there(bluez: FakeBlueZ) -> None:
    with pytest.raises(NotReachable, match="adapter 'hci7' not found"):
        await open_ble(Wanted(INSTRUMENT, None, "hci7"), 0.2)


async def test_no_bluez() -> None:
    with private_bus():
        for failing in (open_ble(HERE, 5.0), BleLine(NAME).attend(None, print)):  # type: ignore[arg-type]
            with pytest.raises(NotReachable, match="the Bluetooth service does not answer; is BlueZ installed"):
                await failing


async def test_no_bus(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(ADDRESS, "unix:path=/nowhere/at/all")
    for failing in (open_ble(HERE, 5.0), BleLine(NAME).attend(None, print)):  # type: ignore[arg-type]
        with pytest.raises(NotReachable, match="this machine has no system bus"):
            await failing


async def test_work_that_can_not_be_cancelled_is_left_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_errors, "_ENDING", 0.01)
    go_on = asyncio.Event()

    async def stubborn() -> None:
        while not go_on.is_set():
            try:
                await go_on.wait()
            except asyncio.CancelledError:
                continue
        raise RuntimeError("nobody hears this")

    with pytest.raises(TimeoutError):
        await ble_errors.bounded(stubborn(), 0.01)
    go_on.set()
    await asyncio.sleep(0)


async def test_instruments_share_the_radio_in_turns(bluez: FakeBlueZ, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that is away scans in short slices, so that another comes through meanwhile."""
    monkeypatch.setattr(ble_connect, "_SLICE", 0.1)
    away = asyncio.create_task(open_ble(Wanted(OTHER, None), 1.0))
    await asyncio.sleep(0)
    stream = await open_ble(HERE, 5.0)
    assert not away.done()
    await stream.close()
    with pytest.raises(NotReachable, match="it was not heard"):
        await away
