"""Drivers as they are found by name, given settings, and opened."""

import sys
import tomllib
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest

from luggin.drivers import registry
from luggin.drivers.errors import NotReachable, SettingsError
from luggin.drivers.link_drivers import BleDriver, SerialDriver, TcpDriver
from luggin.sim.pty_stream import PtyStream

BUILT_IN = {
    "serial": "luggin.drivers.link_drivers:SerialDriver",
    "tcp": "luggin.drivers.link_drivers:TcpDriver",
    "ble": "luggin.drivers.link_drivers:BleDriver",
}


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> list[metadata.EntryPoint]:
    entries = [metadata.EntryPoint(name, value, registry.GROUP) for name, value in BUILT_IN.items()]

    def entry_points(**chosen: Any) -> metadata.EntryPoints:
        return metadata.EntryPoints(entries).select(**chosen)

    monkeypatch.setattr(registry, "entry_points", entry_points)
    return entries


def test_drivers_are_found_by_name(installed: list[metadata.EntryPoint]) -> None:
    assert registry.names() == ["ble", "serial", "tcp"]
    assert registry.load("serial") is SerialDriver
    assert registry.load("tcp") is TcpDriver


def test_an_unknown_name_lists_the_known_ones(installed: list[metadata.EntryPoint]) -> None:
    with pytest.raises(SettingsError) as caught:
        registry.load("telepathy")
    assert str(caught.value) == "driver = 'telepathy': there is no such driver; installed are: ble, serial, tcp"


def test_a_driver_that_cannot_be_imported_is_told(installed: list[metadata.EntryPoint]) -> None:
    installed.append(metadata.EntryPoint("broken", "nowhere_at_all:Driver", registry.GROUP))
    assert "broken" in registry.names()
    with pytest.raises(SettingsError, match="installed but can't be imported: No module named 'nowhere_at_all'"):
        registry.load("broken")


def test_two_drivers_of_one_name_are_told(installed: list[metadata.EntryPoint]) -> None:
    installed.append(metadata.EntryPoint("serial", "elsewhere:Driver", registry.GROUP))
    with pytest.raises(SettingsError, match=r"elsewhere and luggin\.drivers\.link_drivers bring a driver of this name"):
        registry.load("serial")


def test_names_import_no_driver(installed: list[metadata.EntryPoint]) -> None:
    installed.append(metadata.EntryPoint("heavy", "antigravity:Driver", registry.GROUP))
    registry.names()
    assert "antigravity" not in sys.modules


def test_settings_of_a_serial_port() -> None:
    driver = SerialDriver.parse({"port": "/dev/ttyACM0"})
    assert driver.baud_rate == 115200
    assert driver.address == "serial port /dev/ttyACM0"


def test_settings_of_a_tcp_port() -> None:
    driver = TcpDriver.parse({"host": "potentiostat.local", "port": 4711})
    assert driver.address == "TCP potentiostat.local port 4711"


@pytest.mark.parametrize(
    ("driver", "settings", "told"),
    [
        (SerialDriver, {}, ["port: this field is missing"]),
        (SerialDriver, {"port": "/dev/x", "baud": 9600}, ["baud = 9600: this field is unknown here"]),
        (SerialDriver, {"port": 5, "baud_rate": "fast"}, ["port = 5: ", "baud_rate = 'fast': "]),
        (SerialDriver, {"port": "/dev/x", "baud_rate": 10}, ["greater than or equal to 1200"]),
        (TcpDriver, {"host": "", "port": 70000}, ["host = ''", "port = 70000: "]),
        (BleDriver, {}, ["address: neither an address nor a name is given; give one"]),
        (BleDriver, {"address": "00:00:5e:00:53:02", "name": "left"}, ["both an address and a name are given"]),
        (BleDriver, {"address": "00-00-5E-00-53-02"}, ["write it as AA:BB:CC:DD:EE:FF; `luggin discover` lists"]),
        (BleDriver, {"name": "x" * 30, "adapter": "usb0"}, ["at most 29 characters", "write hci0, hci1 ...; "]),
    ],
)
def test_settings_name_each_wrong_field(driver: Any, settings: dict[str, Any], told: list[str]) -> None:
    with pytest.raises(SettingsError) as caught:
        driver.parse(settings)
    assert len(caught.value.problems) == len(told)
    for words in told:
        assert words in str(caught.value)


async def test_a_port_with_nobody_behind_it() -> None:
    terminal = PtyStream()
    driver = SerialDriver.parse({"port": terminal.path})
    with pytest.raises(NotReachable, match="no instrument answered within"):
        async with driver.open(0.1):
            pass
    await terminal.close()


async def test_a_host_that_is_not_there() -> None:
    with pytest.raises(NotReachable, match="can't be reached"):
        async with TcpDriver.parse({"host": "127.0.0.1", "port": 1}).open(1.0):
            pass


def test_the_drivers_that_come_with_the_project_are_declared() -> None:
    declared = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())
    entries = declared["project"]["entry-points"][registry.GROUP]
    assert BUILT_IN.items() <= entries.items()
    for name, value in entries.items():
        driver = metadata.EntryPoint(name, value, registry.GROUP).load()
        assert {"parse", "address", "open"} <= set(dir(driver)), name
