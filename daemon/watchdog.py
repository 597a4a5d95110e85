"""Tells the supervisor that the daemon is well, as often as it wants to hear it and only while that is so.

Well means: the event loop runs, or this would not be said at all; the writer's thread lives and gets on; and no
instrument's session is stuck.  A supervisor that hears nothing for long (systemd: WatchdogSec=) kills the daemon and
starts it again; runs within their dead-man allowance are adopted.  Troubles that a restart does not cure are none of
this: an instrument that is away, a broker that is away, a full disk.
"""

import asyncio
import os
from collections.abc import Callable, Mapping

import structlog

from luggin.daemon.notify import notify

log = structlog.get_logger(__name__)

UNWATCHED_EVERY = 10.0
Check = Callable[[], str]
"""What is wrong with a part, in a sentence; empty while it is well."""


def interval(environment: Mapping[str, str] = os.environ) -> float | None:
    """Seconds between two signs of life: a third of what the supervisor waits for, see sd_watchdog_enabled(3).

    None where nobody waits for any.
    """
    wanted = environment.get("WATCHDOG_USEC", "")
    ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    return int(wanted) / 3e6 if ours and wanted.isdecimal() and int(wanted) > 0 else None


class Watchdog:
    """`checks` by the name of the part; a sign of life comes `every` so many seconds where one is waited for."""

    def __init__(self, checks: Mapping[str, Check], every: float | None) -> None:
        self._checks = checks
        self._every = every
        self._said: dict[str, str] = {}

    async def run(self) -> None:
        """Returns only by cancellation."""
        while True:
            if not self.troubles() and self._every is not None:
                notify("WATCHDOG=1")
            await asyncio.sleep(self._every or UNWATCHED_EVERY)

    def troubles(self) -> dict[str, str]:
        """What is wrong with which part; each trouble is logged once."""
        found = {part: sentence for part, check in self._checks.items() if (sentence := check())}
        for part, sentence in found.items():
            if part not in self._said:
                log.error("a part of the daemon is stuck; the supervisor is told nothing", part=part, reason=sentence)
        for part in self._said.keys() - found.keys():
            log.info("a part of the daemon is no longer stuck", part=part)
        self._said = found
        return found
