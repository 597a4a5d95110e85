"""The computer: Python, word size, threads of the numerical library, the wall clock."""

import os
import sys
from collections.abc import Callable, Iterator, Mapping

from luggin.daemon.checkup.finding import Finding, bad, good, remark
from luggin.daemon.clock import synchronised

_OLDEST, _NEWEST = (3, 11), (3, 13)


def look(
    environment: Mapping[str, str] = os.environ,
    clock: Callable[[], bool | None] = synchronised,
    python: tuple[int, int] = sys.version_info[:2],
    largest: int = sys.maxsize,
) -> Iterator[Finding]:
    running = ".".join(map(str, python))
    if _OLDEST <= python <= _NEWEST:
        yield good("python", f"Python {running} is among those that luggin is tested with.")
    else:
        tested = "3.11 to 3.13"
        yield bad("python", f"Python {running} is none that luggin is tested with.", f"install it for {tested}")
    if largest > 2**32:
        yield good("word size", "The system is a 64-bit one.")
    else:
        yield bad(
            "word size", "The system is a 32-bit one, for which libraries are no longer built.", "install a 64-bit OS"
        )
    threads = environment.get("OPENBLAS_NUM_THREADS", "1")
    if threads == "1":
        yield good("threads", "The numerical library uses one thread in the daemon.")
    else:
        sentence = f"OPENBLAS_NUM_THREADS is {threads}: threads that compete with the daemon for nothing."
        yield remark("threads", sentence, "unset it, or set it to 1")
    kept = clock()
    if kept:
        yield good("clock", "A time service keeps the wall clock.")
    elif kept is None:
        yield remark("clock", "Whether a time service keeps the wall clock can't be told here.", "see to it by hand")
    else:
        sentence = "No time service keeps the wall clock: dates of runs may be wrong; points are not affected."
        yield remark(
            "clock", sentence, "timedatectl set-ntp true, let this machine reach a time server, or fit a clock"
        )
