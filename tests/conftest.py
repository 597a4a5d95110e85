"""What holds for every test: no task is left pending."""

import asyncio
import inspect
from collections.abc import AsyncIterator

import pytest


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
