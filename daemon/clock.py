"""The two clocks of the host, handed in so that tests can step them."""

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Clock:
    """`monotonic` (s) decides; `utc` (s since 1970) is for people and may jump, since a Pi has no clock of its own.

    `synchronised` says whether the wall clock follows a time server; None when nobody knows.
    """

    monotonic: Callable[[], float] = time.monotonic
    utc: Callable[[], float] = time.time
    synchronised: Callable[[], bool | None] = lambda: None
