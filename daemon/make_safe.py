"""Making cells safe when no daemon is there: after it has ended, however it ended, or at a person's word.

Every instrument of the configuration is asked; one that is energised is switched off, and only a read-back counts.
Spared is at most a run that the next daemon would adopt: whether it would, the run machine itself says.
"""

import asyncio
import time
from collections.abc import Mapping
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass
from enum import Enum, auto

import structlog

from luggin.daemon.config import Config
from luggin.daemon.recall import remembered
from luggin.daemon.safety import switch_off
from luggin.daemon.store import Store, StoreError, StoreInUse
from luggin.drivers.api import Driver
from luggin.drivers.errors import DriverError
from luggin.protocol.instrument import Cell, Status
from luggin.protocol.unit import Unit, events, step
from luggin.protocol.unit.moves import WORKING
from luggin.protocol.unit.state import RUNNING

log = structlog.get_logger(__name__)

_OPEN_WITHIN, _OFF_WITHIN, _TRIES = 5.0, 3.0, 3
# systemd.exec(5), SERVICE_RESULT: after these a unit with Restart=on-failure is started again at once.
_RESTARTED = frozenset({"exit-code", "signal", "core-dump", "watchdog", "oom-kill"})


class Spare(Enum):
    """Which energised runs are left as they are."""

    NOTHING = auto()
    LEFT = auto()  # those that a person asked to leave going when the daemon was ended
    ADOPTABLE = auto()  # those that the next daemon, which is about to start, would adopt


@dataclass(frozen=True)
class Verdict:
    """What became of one instrument: `cell` as read back, or the run that was `spared`."""

    instrument: str
    cell: Cell
    sentence: str
    spared: str | None = None

    @property
    def safe(self) -> bool:
        return self.cell is Cell.OFF or self.spared is not None


def after_service(environment: Mapping[str, str]) -> Spare:
    """What to spare in a command that systemd runs once the daemon has ended (ExecStopPost=)."""
    result = environment.get("SERVICE_RESULT", "")
    return Spare.LEFT if result == "success" else Spare.ADOPTABLE if result in _RESTARTED else Spare.NOTHING


async def make_safe(config: Config, spare: Spare, why: str) -> list[Verdict]:
    """Every instrument at once; `why` goes into its log.  Raises StoreInUse while a daemon has the store.

    A store that can't be opened or read spares nothing and keeps no instrument energised; one that can't be written
    hides no verdict.
    """
    async with AsyncExitStack() as stack:
        store: Store | None = None
        try:
            store = await stack.enter_async_context(Store.open(config.store.path))
        except StoreInUse:
            raise
        except Exception as error:  # whatever is wrong with it or its disk
            log.warning("the store can't be opened; nothing is spared", reason=str(error))
        work = (_one(store, name, driver, spare) for name, (driver, _) in config.instruments.items())
        verdicts = list(await asyncio.gather(*work))
        if store is not None:
            for each in verdicts:
                data = {"cell": each.cell.value, "spared": each.spared, "why": why}
                with suppress(StoreError):
                    await store.event(None, each.instrument, "made-safe", f"{each.sentence} ({why})", data, urgent=True)
        return verdicts


async def _one(store: Store | None, name: str, driver: Driver, spare: Spare) -> Verdict:
    try:
        async with driver.open(_OPEN_WITHIN) as session:
            status = await session.status()
            run = status.run
            if store is not None and run is not None and await _spared(store, name, status, spare):
                return Verdict(name, status.cell, f"Run {run} is left going.", run)
            if status.activity not in WORKING and status.cell is Cell.OFF:
                return Verdict(name, Cell.OFF, "The cell was off.")
            for _ in range(_TRIES):
                receipt = await switch_off(session, _OFF_WITHIN)
                if receipt.confirmed:
                    return Verdict(name, Cell.OFF, "The cell was switched off and read back.")
            return Verdict(name, Cell.UNKNOWN, f"The cell could not be confirmed off: {receipt.detail}.")
    except (DriverError, OSError) as error:
        return Verdict(name, Cell.UNKNOWN, f"Not reached: {error}.")
    except Exception as error:  # a mistake in one driver must not keep the other cells energised
        log.exception("an instrument could not be made safe", instrument=name)
        return Verdict(name, Cell.UNKNOWN, f"This program failed: {type(error).__name__}.")


async def _spared(store: Store, name: str, status: Status, spare: Spare) -> bool:
    if spare is Spare.NOTHING:
        return False
    try:
        return await _remembered_so(store, name, status, spare)
    except Exception:  # what was before can't be read, so nothing is known that would spare it
        log.exception("the store could not say what was before; nothing is spared", instrument=name)
        return False


async def _remembered_so(store: Store, name: str, status: Status, spare: Spare) -> bool:
    now = time.monotonic()
    unit, header = await remembered(store, name, now)
    if header is None or not adoptable(unit, status, now):
        return False
    if spare is Spare.ADOPTABLE:
        return True
    # Left on purpose, and by the daemon that ended last.
    kinds = [event.kind for event in await store.events(header.run) if event.kind in ("left", "adopted")]
    return kinds[-1:] == ["left"]


def adoptable(unit: Unit, status: Status, now: float) -> bool:
    """Whether a daemon that remembers `unit` and finds its instrument so would let the run go on."""
    unit, _ = step(unit, events.Connected(now, unit.epoch + 1, status))
    return status.activity in WORKING and unit.off is None and unit.state in RUNNING
