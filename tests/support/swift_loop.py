"""An event loop whose time runs as fast as the work in it allows, so that minutes of waiting cost nothing.

Its clock all but stands still while anything is being done, in this thread or in another one that was asked through the
loop, and leaps to the next timer when nothing is.  Everything that takes its time from `loop.time()` sees a consistent
world in which computing takes next to no time.
"""

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

_ORIGIN = 1000.0
_STUCK_AFTER = 60.0
_TURN = 2e-6
"""Seconds that a turn of the loop takes: without, what is due after less than the clock shows would come for ever."""
Result = TypeVar("Result")


class Stuck(Exception):
    """Nothing is left that could ever happen, or a thread never answered."""


class SwiftLoop(asyncio.SelectorEventLoop):
    """`longest` bounds the time (s of this loop) after which the whole is taken to be stuck."""

    def __init__(self, longest: float = 1e6) -> None:
        self._now = _ORIGIN
        self._end = _ORIGIN + longest
        self._elsewhere = 0
        super().__init__(_Leaping(self))

    def time(self) -> float:
        return self._now

    def await_answer(self, future: "asyncio.Future[Any]") -> None:
        """Let no time pass until this future is done: a thread works at it."""
        self._elsewhere += 1
        future.add_done_callback(self._answered)

    @property
    def quiet(self) -> bool:
        """Whether no other thread has work of this loop."""
        return self._elsewhere == 0

    def run_in_executor(  # type: ignore[override]
        self, executor: Any, work: Callable[..., Result], *args: Any
    ) -> "asyncio.Future[Result]":
        future = super().run_in_executor(executor, work, *args)
        self.await_answer(future)
        return future

    def leap(self, seconds: float) -> None:
        self._now += seconds
        if self._now > self._end:
            raise Stuck(f"nothing came to an end within {self._end - _ORIGIN:g} s")

    def _answered(self, _: "asyncio.Future[Any]") -> None:
        self._elsewhere -= 1


class _Leaping(selectors.DefaultSelector):
    def __init__(self, loop: SwiftLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        self._loop.leap(_TURN)
        found = super().select(0)
        if found or timeout == 0:
            return found
        if timeout is None or not self._loop.quiet:
            found = super().select(_STUCK_AFTER)
            if not found:
                raise Stuck("nothing is left that could happen, or a thread does not answer")
            return found
        self._loop.leap(max(timeout, 0.0))
        return []


def run_swiftly(main: Coroutine[Any, Any, Result], longest: float = 1e6) -> Result:
    """As asyncio.run, in a loop of this kind."""
    with asyncio.Runner(loop_factory=lambda: SwiftLoop(longest)) as runner:
        return runner.run(main)
