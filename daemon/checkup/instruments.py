"""The instruments: as the running daemon sees them, else asked here, which energises nothing and switches nothing."""

import asyncio
from collections.abc import Mapping
from typing import Any

from luggin.daemon.checkup.finding import Finding, bad, good, remark
from luggin.drivers.api import Driver
from luggin.drivers.errors import DriverError
from luggin.protocol.instrument import Cell
from luggin.protocol.unit.moves import WORKING

_OPEN_WITHIN = 5.0


def told(name: str, state: Mapping[str, Any] | None) -> Finding:
    """What the board of a running daemon says of one instrument."""
    what = f"instrument {name}"
    if state is None:
        sentence = "The running daemon doesn't know it: its configuration was changed since it was started."
        return remark(what, sentence, "restart the daemon once no run is on")
    standing = f"The daemon has it: {state['state']}, cell {state['cell']}, link {state['link']}."
    if state["link"] != "up":
        return bad(what, f"{standing} {state['reason']}", "look at its power and its cable or radio")
    if state["state"] in ("Aborting", "Aborted") or state["cell"] == Cell.UNKNOWN:
        return bad(what, f"{standing} {state['reason']}", "look at the cell, then `luggin clear`")
    return good(what, standing)


async def ask(name: str, driver: Driver) -> Finding:
    """Without a daemon: open the connection, ask where it stands, close it again."""
    what = f"instrument {name}"
    try:
        async with asyncio.timeout(2 * _OPEN_WITHIN), driver.open(_OPEN_WITHIN) as session:
            status, capability = await session.status(), session.capability
    except (DriverError, OSError, TimeoutError) as error:
        words = "no answer in time" if isinstance(error, TimeoutError) else str(error)
        return bad(what, f"It is not reached: {words}.", "look at its power and its cable or radio")
    model = f"{capability.identity.maker} {capability.identity.model}, serial {capability.identity.serial}"
    if status.activity in WORKING or status.cell is Cell.ON:
        sentence = f"{model} is energised and no daemon runs ({status.activity}, run {status.run})."
        return bad(
            what, sentence, "start the daemon, which takes the run over or opens the cell, or `luggin make-safe`"
        )
    if status.cell is not Cell.OFF:
        return bad(what, f"{model} can't tell whether its cell is off.", "look at it before anything else")
    if not capability.dead_man:
        sentence = f"{model} answers, its cell is off. It has no dead-man timer: a lost link leaves a cell energised."
        return remark(what, sentence, "stay beside it while a run is on")
    return good(what, f"{model} answers, its cell is off.")
