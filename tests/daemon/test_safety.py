"""Cell-off as the daemon does it: always a verdict, never late."""

import asyncio

import pytest

from luggin.daemon.safety import switch_off
from luggin.drivers.errors import LinkLost
from luggin.protocol.instrument import Cell, Receipt
from support.scripted import Instrument, ScriptedSession


async def test_a_receipt_is_handed_on() -> None:
    assert (await switch_off(ScriptedSession(Instrument()), 1.0)).confirmed
    stuck = Instrument()
    stuck.receipts = [Receipt(Cell.ON, "the relay is stuck")]
    assert await switch_off(ScriptedSession(stuck), 1.0) == Receipt(Cell.ON, "the relay is stuck")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (LinkLost("the cable was pulled"), "the cable was pulled"),
        (ZeroDivisionError("invented"), "unforeseen ZeroDivisionError: invented"),
        (TimeoutError(), "no answer within 1 s"),
    ],
)
async def test_every_error_is_an_unknown_cell(error: Exception, words: str) -> None:
    instrument = Instrument()
    instrument.failing["cell_off"] = error
    assert await switch_off(ScriptedSession(instrument), 1.0) == Receipt(Cell.UNKNOWN, words)


async def test_an_instrument_that_hangs_is_not_waited_for() -> None:
    instrument = Instrument()
    instrument.hanging.add("cell_off")
    async with asyncio.timeout(5.0):
        assert not (await switch_off(ScriptedSession(instrument), 0.05)).confirmed


async def test_without_a_link_nothing_is_confirmed() -> None:
    assert (await switch_off(None, 1.0)).cell is Cell.UNKNOWN
