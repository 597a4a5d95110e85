"""Messages of IEEE 488.2 over a line: answers told apart, late ones thrown away, nonsense found out within bounds."""

import asyncio
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luggin.drivers.errors import DriverError, ProtocolViolation
from luggin.drivers.scpi_line import LONGEST_LINE, ScpiLine
from luggin.drivers.stream import memory_pair

Answers = Callable[[str], bytes]


async def line_with(answers: Answers, ask: Callable[[ScpiLine], Any], within: float = 0.05) -> Any:
    """Let `ask` talk to a peer that answers each message as it is told."""
    near, far = memory_pair()
    line = ScpiLine(near, "a peer", within)
    line.start()

    async def peer() -> None:
        while data := await far.read():
            for message in filter(None, data.decode().split("\n")):
                await far.write(answers(message))

    answering = asyncio.create_task(peer())
    try:
        return await ask(line)
    finally:
        await line.close()
        await answering


IDENTITY = b"a,b,c,d\n"


async def test_answers_are_told_apart_and_late_ones_thrown_away() -> None:
    said: list[str] = []

    def answers(message: str) -> bytes:
        said.append(message)
        if message == "*IDN?":
            return b"1.5;1;0\n" * (said.count("*IDN?") == 1) + IDENTITY  # something of before, then who it is
        return b'"a;b";+2.5E-3;0,"No error; none"\r\n'

    async def ask(line: ScpiLine) -> None:
        assert await line.greet() == "a,b,c,d"
        assert await line.ask(":X?", 2) == ['"a;b"', "+2.5E-3"]
        with pytest.raises(ProtocolViolation, match="2 values, not 1"):
            await line.ask(":X?", 1)

    await line_with(answers, ask)


@pytest.mark.parametrize(("answer", "told"), [
    (b"x" * (LONGEST_LINE + 1), "without an end of line"),
    (b"hello\n" * 100, "does not say who it is"),
    (b"\xff\xfe\x00\n" * 100, "does not say who it is"),
    (b"", r"no answer to .* within"),
])  # fmt: skip
async def test_what_is_no_such_unit_is_found_out_within_bounds(answer: bytes, told: str) -> None:
    async def ask(line: ScpiLine) -> None:
        with pytest.raises(Exception, match=told) as raised:
            await line.greet()
        assert type(raised.value).__module__ in ("luggin.drivers.errors", "luggin.drivers.scpi_line")

    await line_with(lambda message: answer, ask)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.one_of(st.binary(max_size=40), st.sampled_from([IDENTITY, b"\n", b'0,"No error"\n', b"1;"])), max_size=8
    )
)
def test_whatever_comes_is_an_answer_or_an_error_of_drivers(answers: list[bytes]) -> None:
    """Every answer is one that was asked for, with as many values; everything else is told."""
    waiting = iter(answers)

    async def ask(line: ScpiLine) -> None:
        line.identity = "a,b,c,d"
        for _ in range(3):
            try:
                assert len(await line.ask(":X?", 1)) == 1
            except DriverError:
                continue

    asyncio.run(line_with(lambda message: next(waiting, IDENTITY), ask, 0.002))
