"""The two clocks of the host, handed in so that tests can step them."""

import ctypes
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

_TIMEX_BYTES = 256  # struct timex takes 208 on 64-bit Linux
_TIME_ERROR = 5


def synchronised() -> bool | None:
    """Whether a time service keeps the kernel's clock, see adjtimex(2); None where that can't be asked."""
    if not sys.platform.startswith("linux"):
        return None
    # All zero: nothing is changed, the state is only asked for.
    state: int = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    return None if state < 0 else state != _TIME_ERROR


def host_boot() -> str:
    """Changes with each start of this machine, and with it the zero of the monotonic clock; empty where unknown."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


@dataclass(frozen=True)
class Clock:
    """`monotonic` (s) decides; `utc` (s since 1970) is for people and may jump, since a Pi has no clock of its own.

    `synchronised` says whether the wall clock follows a time service; None when nobody knows.  `host` tells one boot
    of the machine from the next.
    """

    monotonic: Callable[[], float] = time.monotonic
    utc: Callable[[], float] = time.time
    synchronised: Callable[[], bool | None] = synchronised
    host: Callable[[], str] = host_boot
