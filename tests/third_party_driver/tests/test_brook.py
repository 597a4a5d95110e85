"""The driver keeps the contracts of drivers, with an instrument in a process of its own."""

import subprocess
import sys
from collections.abc import Iterator

import pytest

from luggin.drivers import registry
from luggin.drivers.api import Driver
from luggin.drivers.conformance_plugin import ConformanceCheck


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with subprocess.Popen([sys.executable, "-m", "luggin_brook.simulated"], stdout=subprocess.PIPE, text=True) as brook:
        assert brook.stdout is not None
        yield int(brook.stdout.readline())
        brook.terminate()


@pytest.fixture
def driver(port: int) -> Driver:
    return registry.load("brook").parse({"host": "127.0.0.1", "port": port})


def test_conformance(conformance_check: ConformanceCheck, driver: Driver) -> None:
    conformance_check(driver)
