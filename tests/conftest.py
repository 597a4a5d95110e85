"""What holds for every test: no task is left pending, and Ctrl-C means what it says."""

import asyncio
import inspect
import signal
from collections.abc import AsyncIterator

import pytest
from hypothesis import HealthCheck, settings

pytest_plugins = ["luggin.drivers.conformance_plugin"]
collect_ignore = ["third_party_driver"]  # a package of its own, with tests of its own: see test_third_party.py

# A shell without job control starts its background jobs, this test run perhaps, deaf to Ctrl-C; children inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# How fast an example is made says something of the machine's load, and nothing of the code.
settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The long roads first: with several workers, the last one to end then has little left."""
    items.sort(key=lambda item: "/tests/system/" not in str(item.path))


@pytest.fixture
async def _watched_loop() -> AsyncIterator[None]:
    yield
    left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    assert not left, f"tasks left pending: {left}"


@pytest.fixture(autouse=True)
def _no_task_left(request: pytest.FixtureRequest) -> None:
    """Requested before every other fixture, so it looks after all of them are torn down."""
    if inspect.iscoroutinefunction(getattr(request, "function", None)):
        request.getfixturevalue("_watched_loop")
