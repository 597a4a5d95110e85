"""The conformance checks as tests of pytest, one for each check.

Nothing is loaded unless it is asked for: in the `conftest.py` of your driver write

    pytest_plugins = ["luggin.drivers.conformance_plugin"]

and in a test module

    def test_conformance(conformance_check):
        conformance_check(MyDriver.parse({...}))

Each check is a test of its own.  One that fails says which contract is broken, with its number and its sentence; one
for which the capability says that there is nothing to check is skipped, with that reason (`pytest -rs` shows it).
"""

import asyncio

import pytest

from luggin.drivers.api import Driver
from luggin.drivers.conformance import CHECKS, Check, ContractBroken, DoesNotApply, carry_out

OPENING = 15.0
"""Seconds in which a session must open."""


class ConformanceCheck:
    """One check; calling it carries it out, `within` does so in a running event loop."""

    def __init__(self, check: Check) -> None:
        self._check = check

    def __call__(self, driver: Driver) -> None:
        asyncio.run(self.within(driver))

    async def within(self, driver: Driver) -> None:
        try:
            await carry_out(self._check, lambda: driver.open(OPENING))
        except DoesNotApply as reason:
            pytest.skip(str(reason))
        except ContractBroken as broken:
            pytest.fail(str(broken), pytrace=False)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "conformance_check" in metafunc.fixturenames:
        metafunc.parametrize("conformance_check", CHECKS, ids=lambda check: check.__name__, indirect=True)


@pytest.fixture
def conformance_check(request: pytest.FixtureRequest) -> ConformanceCheck:
    """The check of this test."""
    return ConformanceCheck(request.param)
