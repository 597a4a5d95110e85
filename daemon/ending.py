"""That the daemon is to end, and what becomes of runs that are on then."""

import asyncio


class Ending:
    """Whoever asks first decides: what is under way then is neither interrupted nor changed."""

    def __init__(self) -> None:
        self._asked = asyncio.Event()
        self.leave_runs = False

    def ask(self, leave_runs: bool = False) -> None:
        """`leave_runs` leaves runs to their instruments and to the next daemon; else every cell is switched off."""
        if not self._asked.is_set():
            self.leave_runs = leave_runs
            self._asked.set()

    @property
    def asked(self) -> bool:
        return self._asked.is_set()

    async def wait(self) -> None:
        await self._asked.wait()
