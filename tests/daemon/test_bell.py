"""The alarm of an instrument: told until it is acknowledged, the gravest first."""

import asyncio
from contextlib import suppress

from luggin.daemon.bell import Bell, Call
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.protocol.payloads import Alarm

OFF = Call("cell-unknown", "The cell is not confirmed off.")
HELD = Call("sequence-held", "A run could not start.")


def alarm(board: Board) -> Alarm:
    found = board.entries["luggin/lab/left/alarm"]
    assert isinstance(found, Alarm)
    return found


def bell(repeat: float = 300.0) -> tuple[Bell, Board]:
    board = Board()
    return Bell("lab", "left", board, Clock(), repeat), board


async def test_the_unit_comes_before_the_sequence() -> None:
    ringing, board = bell()
    ringing.call("sequence", HELD)
    assert alarm(board).kind == "sequence-held"
    ringing.call("unit", OFF)
    assert alarm(board).kind == "cell-unknown"
    ringing.call("unit", None)
    assert alarm(board).kind == "sequence-held"
    ringing.call("sequence", None)
    assert not alarm(board).active


async def test_who_acknowledges_is_told_and_other_words_change_nothing_of_it() -> None:
    ringing, board = bell()
    assert ringing.acknowledge("A. Nalyst") == "There is no alarm."
    ringing.call("unit", OFF)
    assert ringing.unanswered
    assert ringing.acknowledge("A. Nalyst") is None
    assert alarm(board).acknowledged_by == "A. Nalyst"
    ringing.call("unit", Call("cell-unknown", "Still not."))
    assert (alarm(board).sentence, alarm(board).acknowledged_by) == ("Still not.", "A. Nalyst")
    ringing.call("unit", Call("aborted", "A limit was violated."))
    assert ringing.unanswered


async def test_it_is_repeated_until_somebody_acknowledges_it() -> None:
    ringing, board = bell(repeat=0.01)
    task = asyncio.create_task(ringing.run())
    ringing.call("unit", OFF)
    serial = 0
    while alarm(board).told < 3:
        serial, _ = await board.newer(serial)
    ringing.acknowledge("A. Nalyst")
    told = alarm(board).told
    serial, _ = await board.newer(0)
    with suppress(TimeoutError):  # longer than several repeats
        async with asyncio.timeout(0.05):
            await board.newer(serial)
    assert alarm(board).told == told
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
