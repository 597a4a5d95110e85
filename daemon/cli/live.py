"""The curve growing in the terminal; plain lines where there is no terminal."""

import asyncio
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli.follow import Follower
from luggin.daemon.cli.words import duration

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote

REFRESH = 0.25
LINE_EVERY = 5.0


async def show(
    remote: "Remote",
    instrument: str,
    run: str,
    early: list[tuple[str, bytes]],
    *,
    quiet: bool,
    ask_to_end: "asyncio.Queue[str]",
) -> Follower:
    """Follow a run to its result.  `early` are messages that came since before the start, in order."""
    follower, news = Follower(run), asyncio.Event()

    def take(topic: str, payload: bytes) -> None:
        if topic.split("/")[2] == instrument:
            follower.take(topic, payload)
            news.set()

    async with remote.watching(take):
        for topic, payload in early:
            take(topic, payload)
        keyboard = asyncio.create_task(_obey(remote, instrument, ask_to_end), name="keyboard")
        try:
            with _painter(quiet) as paint:
                while not _complete(follower):
                    remote.check()
                    paint(follower)
                    news.clear()
                    with suppress(TimeoutError):
                        async with asyncio.timeout(REFRESH):
                            await news.wait()
                    await _fill(remote, follower)
                    await asyncio.sleep(REFRESH if sys.stdout.isatty() else 0)
                paint(follower)
        finally:
            keyboard.cancel()
            await asyncio.gather(keyboard, return_exceptions=True)
    return follower


def _complete(follower: Follower) -> bool:
    return follower.result is not None and follower.gap is None


async def _obey(remote: "Remote", instrument: str, orders: "asyncio.Queue[str]") -> None:
    while True:
        verb = await orders.get()
        print(f"\n{verb} asked for", file=sys.stderr)
        reply = await remote.ask(instrument, verb)
        if not reply.accepted:
            print(f"{verb} refused: {reply.sentence}", file=sys.stderr)


async def _fill(remote: "Remote", follower: Follower) -> None:
    """Fetch what the broker dropped; the daemon's store has it, or nobody."""
    if follower.gap is None:
        return
    async for points in remote.points(follower.run, *follower.gap):
        follower.add(points)
    if follower.gap is not None:
        follower.skip_gap()


class _Plain:
    """One line now and then."""

    def __init__(self) -> None:
        self._next = 0.0

    def __enter__(self) -> Callable[[Follower], None]:
        return self._paint

    def __exit__(self, *_: object) -> None:
        pass

    def _paint(self, follower: Follower) -> None:
        now = time.monotonic()
        if now >= self._next or follower.result is not None:
            self._next = now + LINE_EVERY
            print(headline(follower), flush=True)


class _Screen:
    """The curve, redrawn in place."""

    def __enter__(self) -> Callable[[Follower], None]:
        from rich.console import Console
        from rich.live import Live

        self._live = Live(console=Console(), auto_refresh=False, transient=False)
        self._live.__enter__()
        return self._paint

    def __exit__(self, *error: Any) -> None:
        self._live.__exit__(*error)

    def _paint(self, follower: Follower) -> None:
        from rich.text import Text

        self._live.update(Text(f"{headline(follower)}\n{picture(follower)}"), refresh=True)


class _Silent:
    def __enter__(self) -> Callable[[Follower], None]:
        return lambda follower: None

    def __exit__(self, *_: object) -> None:
        pass


def _painter(quiet: bool) -> "_Silent | _Screen | _Plain":
    return _Silent() if quiet else _Screen() if sys.stdout.isatty() else _Plain()


def headline(follower: Follower) -> str:
    """Where the run stands, in one line."""
    state = "starting" if follower.state is None else str(follower.state.state)
    if follower.state is not None and follower.state.link == "lost":
        state += ", link lost"
    said = [follower.run, state]
    progress = follower.progress
    if progress is not None:
        said.append(f"{progress.phase_name}, cycle {progress.cycle}")
        left = max(progress.longest - progress.run_time, 0.0)
        said.append(f"at most {duration(left)} left")
    said.append(f"{follower.after} points")
    return "  ".join(said)


def picture(follower: Follower, width: int = 78, height: int = 18) -> str:
    """The curve so far as its technique is usually looked at; empty before there is one."""
    if follower.header is None or not follower.columns:
        return ""
    import numpy as np

    from luggin.daemon.cli.drawing import curve_chart
    from luggin.daemon.figures.curve import curve

    columns = {name: np.array(values, dtype=float) for name, values in follower.columns.items()}
    columns["flags"] = columns["flags"].astype(int)
    found = curve(follower.run, follower.header.method, columns)
    return curve_chart(found, width, height) if np.isfinite(found.y).any() else ""
