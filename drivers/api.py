"""The driver interface.

A driver is a class named by an entry point in the group `luggin.drivers`.  It promises:

- `parse` does no I/O and raises SettingsError, naming each wrong field.
- `open` is an async context manager.  Entering it connects, shakes hands and has seen a first answer, all within
  `timeout`; leaving it closes the connection, so close-before-reopen is structural.  Opening never resets an
  instrument and never changes what it is doing; leaving does not either (the session's owner makes the cell safe).
- `cell_off` is legal in every state, idempotent, never queued behind another command, and returns what a read-back
  said.  Its receipt is the only proof that a cell is off.
- `news` yields what the instrument sends in the order it happened: batches, and a status after each change.  The last
  batch of a run comes before the status that says it ended.  When the connection is lost the iterator raises LinkLost.
- Points stay in the instrument until acknowledged; `replay` sends again everything still held from an index on.  While
  points of a run wait, no other run can be armed; once a run has ended, acknowledging all its points makes it idle.
- A new session gets the points of a run that is under way only after it has asked for them with `replay`.
- `keep_alive` feeds the instrument's dead-man timer.  A driver never feeds it by itself, and a keep-alive that was held
  up on its way feeds it no more than one that was not.
- `start` and `unhold` that were held up on their way, or that `cell_off` overtook, energise nothing.
- Where the capability says `host_timed`, the session itself carries the program out.  Closing it ends the run and lets
  the cell go; what is armed and the points are kept all the same, for as long as the driver object lives.

`luggin.drivers.contracts` numbers these promises, and `luggin.drivers.conformance` checks them.

Each call is bounded by the driver's own timeout and then raises NoAnswer: whether it was carried out is not known.  On
a connection that is lost it raises LinkLost.  All numbers are SI.
"""

from collections.abc import AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager
from typing import Any, Protocol, Self, runtime_checkable

from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Reading, Receipt, Status
from luggin.protocol.points import Batch
from luggin.protocol.program import Program

News = Batch | Status


@runtime_checkable
class Session(Protocol):
    """An open connection to one instrument."""

    @property
    def capability(self) -> Capability: ...

    async def status(self) -> Status:
        """What the instrument is doing now."""
        ...

    async def arm(self, run: str, program: Program) -> None:
        """Load and check a program under this run id; energises nothing.  Raises Refused, naming the reason."""
        ...

    async def start(self, run: str) -> None:
        """Execute the armed program; the run id must be the armed one.  A run is started once."""
        ...

    def news(self) -> AsyncIterator[News]:
        """Batches and statuses as they come, batches that came together joined.  One consumer at a time.

        A consumer that is slow costs no points and holds up no other call: what it does not take stays in the
        instrument and comes later.
        """
        ...

    async def acknowledge(self, run: str, after: int) -> None:
        """Points of `run` with an index below `after` are durable here and may be forgotten by the instrument.

        Repeating it, and going back, do nothing.
        """
        ...

    async def replay(self, run: str, first: int) -> None:
        """Ask for everything still held from index `first` on; it comes through `news`.

        Points before the oldest still held are gone: the first batch then begins later.  When the run has ended, the
        status that says so comes again after the last batch.
        """
        ...

    async def keep_alive(self) -> None: ...

    async def hold(self) -> None:
        """Pause where the program next allows it; a status follows.  Raises Refused where it never does."""
        ...

    async def unhold(self) -> None:
        """Go on after a hold, or withdraw one that has not taken effect yet."""
        ...

    async def stop(self) -> None:
        """Orderly end: execute what remains for a stop, then the ending; a status follows.

        A second stop opens the cell at once.  Raises Refused when nothing runs.
        """
        ...

    async def cell_off(self) -> Receipt: ...

    async def read(self) -> Reading: ...


class Driver(Protocol):
    """Settings that were understood; opens sessions."""

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self: ...

    @property
    def address(self) -> str:
        """Where the instrument is, in words for a message, e.g. `serial port /dev/ttyACM0`."""
        ...

    def open(self, timeout: float) -> AbstractAsyncContextManager[Session]: ...
