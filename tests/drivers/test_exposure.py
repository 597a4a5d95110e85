"""Lines without a password stay on this machine, or somebody is told."""

from typing import Any

import pytest

from luggin.drivers.exposure import exposure
from luggin.drivers.link_drivers import SerialDriver, TcpDriver
from luggin.drivers.scpi import ScpiDriver
from luggin.sim.driver import SimDriver

UNIT: dict[str, Any] = {
    "off_state": "relay",
    "potential_low": "-2 V",
    "potential_high": "2 V",
    "current_ranges": ["1 mA"],
    "current_compliance": "1 mA",
    "voltage_compliance": "2 V",
}


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.0.1", "::1", "localhost"])
def test_loopback_is_silent(host: str) -> None:
    assert exposure(TcpDriver.parse({"host": host, "port": 5000})) == ""
    assert exposure(ScpiDriver.parse({**UNIT, "host": host})) == ""


@pytest.mark.parametrize("host", ["192.0.2.7", "potentiostat.example", "0.0.0.0", "fe80::1", "localhost.example"])
def test_every_other_address_is_warned_of(host: str) -> None:
    for driver in (TcpDriver.parse({"host": host, "port": 5000}), ScpiDriver.parse({**UNIT, "host": host})):
        assert host in exposure(driver)
        assert "no password" in exposure(driver)


def test_other_lines_are_silent() -> None:
    assert exposure(SerialDriver.parse({"port": "/dev/ttyACM0"})) == ""
    assert exposure(ScpiDriver.parse({**UNIT, "port": "/dev/ttyUSB0"})) == ""
    assert exposure(SimDriver.parse({})) == ""
