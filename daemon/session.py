"""One instrument: owns the driver's session, runs the machine of protocol.unit and carries out its effects."""

from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.settings import InstrumentSettings, Intervals
from luggin.drivers.api import Driver
from luggin.protocol.payloads import Reply


class Instrument:
    """One instrument.  `run()` lives as long as the daemon; `handle` and `shutdown` are called while it runs."""

    def __init__(
        self,
        node: str,
        name: str,
        driver: Driver,
        settings: InstrumentSettings,
        store: "object",
        board: Board,
        clock: Clock | None = None,
        intervals: Intervals | None = None,
    ) -> None: ...

    async def run(self) -> None:
        """Connect for ever, adopt or make safe, execute.  Returns after `shutdown`; only cancellation ends it else."""
        ...

    async def handle(self, command: ReceivedCommand) -> Reply:
        """Carry out one command and say what became of it; never raises.  Works without a connection too."""
        ...

    async def shutdown(self, timeout: float = 5.0) -> bool:
        """Switch the cell off, record the outcome and end `run`.  False when the cell is not confirmed off."""
        ...
