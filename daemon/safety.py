"""Cell-off as the daemon does it: bounded, and never an exception, since whoever asks must get a verdict."""

import asyncio

import structlog

from luggin.drivers.api import Session
from luggin.drivers.errors import DriverError
from luggin.protocol.instrument import Cell, Receipt

log = structlog.get_logger(__name__)


async def switch_off(session: Session | None, timeout: float) -> Receipt:
    """Switch the cell off and say what the read-back said; UNKNOWN with the reason when none came in time."""
    if session is None:
        return Receipt(Cell.UNKNOWN, "the link is lost")
    try:
        async with asyncio.timeout(timeout):
            return await session.cell_off()
    except TimeoutError:
        return Receipt(Cell.UNKNOWN, f"no answer within {timeout:g} s")
    except DriverError as error:
        return Receipt(Cell.UNKNOWN, str(error))
    except Exception as error:
        log.exception("cell-off met an unforeseen error")
        return Receipt(Cell.UNKNOWN, f"unforeseen {type(error).__name__}: {error}")
