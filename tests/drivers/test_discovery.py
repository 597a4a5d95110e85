"""Instruments are found on serial ports and over Bluetooth LE; what had better be left alone is."""

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from serial.tools import list_ports_common

from luggin.drivers import ports
from luggin.drivers.discovery import Found, Place, Wish, find_ble, find_serial
from luggin.drivers.serial_stream import open_serial
from luggin.protocol.link.gatt import SERVICE
from luggin.sim.pty_stream import PtyStream
from luggin.sim.rig import Rig
from luggin.sim.settings import Settings
from luggin.sim.shell import Shell
from support.fake_bluez_tree import INSTRUMENT
from support.private_bus import has_dbus
from support.radio import NAME, peripheral, radio

STRANGER = "00:00:5E:00:53:09"


@asynccontextmanager
async def simulated() -> AsyncIterator[Shell]:
    shell = Shell(Rig(Settings.parse({"cell": "dummy-resistor"}), asyncio.get_running_loop().time()))
    working = asyncio.create_task(shell.work())
    yield shell
    working.cancel()
    await asyncio.gather(working, return_exceptions=True)


@pytest.fixture
async def instrument() -> AsyncIterator[str]:
    """The port of a simulated instrument."""
    async with simulated() as shell:
        terminal = PtyStream()
        attending = asyncio.create_task(shell.attend(terminal))
        yield terminal.path
        attending.cancel()
        await asyncio.gather(attending, return_exceptions=True)


@pytest.fixture
async def silent() -> AsyncIterator[str]:
    terminal = PtyStream()
    yield terminal.path
    await terminal.close()


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The devices that the system lists; a test fills it in."""
    devices: list[str] = []

    def comports() -> list[list_ports_common.ListPortInfo]:
        return [list_ports_common.ListPortInfo(device, skip_link_detection=True) for device in devices]

    monkeypatch.setattr("serial.tools.list_ports.comports", comports)
    return devices


@pytest.fixture
def untouched(monkeypatch: pytest.MonkeyPatch) -> None:
    async def opened(port: str, baud_rate: int) -> None:
        raise AssertionError(f"{port} was opened")

    monkeypatch.setattr("luggin.drivers.serial_stream.open_serial", opened)


def by_place(found: list[Found]) -> dict[str, Found]:
    return {each.place.name: each for each in found}


async def test_who_answers_on_the_ports_of_this_machine(instrument: str, silent: str, known: list[str]) -> None:
    known += [instrument, silent]
    found = by_place(await find_serial(Wish(seconds=0.5)))
    identity = found[instrument].identity
    assert identity is not None
    assert (identity.model, found[instrument].place.settings) == ("bench", {"port": instrument})
    assert (found[silent].identity, found[silent].asked) == (None, True)
    assert found[silent].reason == "no instrument answered within 0.5 s; is it switched on and connected?"


async def test_only_the_named_are_asked(instrument: str, silent: str, known: list[str], tmp_path: Path) -> None:
    known += [instrument, silent]
    link = tmp_path / "my-port"
    link.symlink_to(instrument)
    found = by_place(await find_serial(Wish((str(link), str(tmp_path / "gone")), seconds=0.5, baud_rate=9600)))
    assert found[instrument].identity is not None
    assert found[instrument].place.settings["baud_rate"] == 9600
    assert (found[silent].asked, found[silent].reason) == (False, "it was not named")
    assert found[str(tmp_path / "gone")].reason == "it can't be looked at: No such file or directory"


async def test_a_port_that_is_not_listed_may_be_named(instrument: str, known: list[str]) -> None:
    assert [each.identity is not None for each in await find_serial(Wish((instrument,), seconds=2.0))] == [True]


async def test_a_port_that_another_program_has_is_not_asked(instrument: str, known: list[str]) -> None:
    known += [instrument]
    stream = await open_serial(instrument, 115200)
    [found] = await find_serial(Wish(seconds=0.5))
    assert (found.asked, found.identity) == (False, None)
    assert "another program uses it" in found.reason
    await stream.close()


@pytest.mark.usefixtures("untouched")
async def test_what_is_not_opened_at_all(
    silent: str, known: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def reason(**wish: object) -> str:
        [found] = await find_serial(Wish(**wish))  # type: ignore[arg-type]
        assert not found.asked
        return found.reason

    known += [silent]
    assert await reason(ask=False) == "nobody was to be asked"
    assert await reason(objects=lambda place: f"{place.driver} belongs to me") == "serial belongs to me"
    with monkeypatch.context() as here:
        here.setattr(ports, "_PSEUDO_TERMINALS", ())
        assert f"(process {os.getpid()})" in await reason()
    active = tmp_path / "active"
    active.write_text(f"tty1 {Path(silent).name}\n")
    monkeypatch.setattr(ports, "_CONSOLE", active)
    assert await reason() == "it is the system's console"
    known[:] = [str(active)]
    assert await reason() == "it is no serial port"


def test_a_name_that_lasts_is_preferred(known: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    device = tmp_path / "ttyACM0"
    device.touch()
    (tmp_path / "by-id").mkdir()
    lasting = tmp_path / "by-id" / "usb-potentiostat-if00"
    lasting.symlink_to(device)
    monkeypatch.setattr(ports, "_BY_ID", tmp_path / "by-id")
    known += [str(device)]
    assert [(each.device, each.lasting) for each in ports.serial_ports()] == [(str(device), str(lasting))]


@has_dbus
async def test_who_answers_over_bluetooth() -> None:
    async with radio() as bluez, simulated() as shell, peripheral(shell):
        bluez.stranger(STRANGER, "kettle", [])
        found = await find_ble(Wish(seconds=0.3))
        assert [each.place.name for each in found] == [INSTRUMENT, STRANGER]
        first, other = found
        assert first.identity is not None
        assert first.place.settings == {"address": INSTRUMENT}
        assert (first.place.description, first.place.signal_strength) in ((NAME, -61.0), (NAME, -62.0))
        assert (other.asked, other.reason) == (False, "it offers no instrument link")


@has_dbus
async def test_over_bluetooth_too_only_the_named_are_asked() -> None:
    async with radio() as bluez, simulated() as shell, peripheral(shell):
        bluez.stranger(STRANGER, "mute", [SERVICE])
        found = by_place(await find_ble(Wish((NAME, "nowhere"), seconds=0.3)))
        assert found[INSTRUMENT].identity is not None
        assert found[STRANGER].reason == "it was not named"
        assert found["nowhere"].reason == "it was not heard"
        assert bluez.log.count("Connect") == 1

        def mine(place: Place) -> str:
            return "it is mine"

        found = by_place(await find_ble(Wish((INSTRUMENT,), seconds=0.3, objects=mine)))
        assert (found[INSTRUMENT].asked, found[INSTRUMENT].reason) == (False, "it is mine")
