"""Program messages out and response messages in, as IEEE 488.2 defines them, over a stream of bytes.

A message ends with a line feed; its units are separated by semicolons, which within quotes mean nothing.  The error
queue (`SYSTem:ERRor?`, SCPI-1999 volume 2) is read with every exchange.  A device whose answer did not come is out of
step: it is asked who it is until it says so, and what came before that is thrown away.
"""

import asyncio
import re
from collections import deque

from luggin.drivers.errors import DriverError, LinkLost, NoAnswer, ProtocolViolation, Refused
from luggin.drivers.stream import ByteStream

LONGEST_LINE = 4096
"""Bytes; an instrument that sends longer lines is not one that is meant here."""
_MOST_LINES, _MOST_STALE, _MOST_ERRORS = 64, 16, 32
_UNIT = re.compile(r"""(?:[^;"']|"[^"]*"|'[^']*')+""")
_ERRORS = ":SYST:ERR?"


class ScpiLine:
    """Owns the stream from `start` to `close`."""

    def __init__(self, stream: ByteStream, address: str, answer_within: float) -> None:
        self._stream, self._address, self._within = stream, address, answer_within
        self.identity = ""
        self._lines: deque[str] = deque()
        self._arrived = asyncio.Event()
        self._lock = asyncio.Lock()
        self._overtaken = 0
        self._out_of_step = False
        self._lost: DriverError | None = None
        self._reader: asyncio.Task[None] | None = None

    def start(self) -> None:
        self._reader = asyncio.create_task(self._read(), name=f"read {self._address}")

    async def close(self) -> None:
        if self._reader is not None:
            self._reader.cancel()
            await asyncio.gather(self._reader, return_exceptions=True)
        self._lose(LinkLost(f"{self._address}: the line was closed here"))
        await self._stream.close()

    async def greet(self) -> str:
        """Ask who it is until the same answer came twice.  Raises NoAnswer."""
        async with self._lock:
            mark = self._overtaken
            await self._write("\n*IDN?")
            line = await self._line(mark, "*IDN?")
            for _ in range(_MOST_STALE):
                if line.count(",") >= 3:
                    self.identity = line
                    await self._get_in_step(mark)
                    return line
                line = await self._line(mark, "*IDN?")
        raise ProtocolViolation(
            f"{self._address}: what answers does not say who it is as *IDN? asks for: {line[:60]!r}"
        )

    async def ask(self, message: str, answers: int, *, forgiving: bool = False) -> list[str]:
        """Send program message units that make so many answers; the answers.

        Raises Refused with what the error queue holds, unless `forgiving`; NoAnswer when nothing came in time, or when
        `overtake` came in between.
        """
        async with self._lock:
            mark = self._overtaken
            if self._out_of_step:
                await self._get_in_step(mark)
            units = _split(await self._answer(f"{message};{_ERRORS}", mark))
            errors = [] if _is_none(units[-1]) else [units[-1], *await self._queued()]
            if errors and not forgiving:
                raise Refused(f"{self._address} did not take {message!r}: {'; '.join(errors)}")
            if len(units) != answers + 1:
                self._out_of_step = True
                words = f"{message!r} was answered with {len(units) - 1} values, not {answers}"
                raise ProtocolViolation(f"{self._address}: {words}")
            return units[:-1]

    async def overtake(self, message: str) -> None:
        """Send at once, whatever is waiting for an answer; that waits no longer."""
        self._overtaken += 1
        self._out_of_step = True
        self._arrived.set()
        await self._write(message)

    # Inside

    async def _answer(self, message: str, mark: int) -> str:
        """One exchange; where nothing comes, what the error queue says of it."""
        try:
            return await self._exchange(message, mark)
        except _Silence as silence:
            await self._get_in_step(mark)
            if errors := await self._queued():
                raise Refused(f"{self._address} did not take {message!r}: {'; '.join(errors)}") from None
            raise NoAnswer(str(silence)) from None

    async def _exchange(self, message: str, mark: int) -> str:
        """Send, and wait for the next line; the caller holds the lock."""
        self._lines.clear()
        self._out_of_step = True
        await self._write(message)
        line = await self._line(mark, message)
        while line == self.identity:  # asked for in vain before, and late; no answer here is ever that
            line = await self._line(mark, message)
        if self._overtaken == mark:
            self._out_of_step = False
        return line

    async def _queued(self) -> list[str]:
        """Everything that the error queue holds."""
        errors: list[str] = []
        for _ in range(_MOST_ERRORS):
            answer = await self._exchange(_ERRORS, self._overtaken)
            if _is_none(answer):
                break
            errors.append(answer)
        return errors

    async def _get_in_step(self, mark: int) -> None:
        """Throw away what still comes from before."""
        self._lines.clear()
        await self._write("*IDN?")
        for _ in range(_MOST_STALE):
            if await self._line(mark, "*IDN?") == self.identity:
                self._out_of_step = self._overtaken != mark
                return
        raise ProtocolViolation(f"{self._address}: it goes on sending what nobody asked for")

    async def _line(self, mark: int, asked: str) -> str:
        """The next line.  Raises NoAnswer, also when `overtake` came since `mark`."""
        try:
            async with asyncio.timeout(self._within):
                while not self._lines:
                    self._require_link()
                    if mark != self._overtaken:
                        raise NoAnswer(f"{self._address}: a cell-off overtook the answer")
                    self._arrived.clear()
                    await self._arrived.wait()
        except TimeoutError:
            raise _Silence(f"{self._address}: no answer to {asked!r} within {self._within:g} s") from None
        return self._lines.popleft()

    async def _write(self, message: str) -> None:
        self._require_link()
        try:
            async with asyncio.timeout(self._within):
                await self._stream.write(f"{message}\n".encode("ascii"))
        except TimeoutError:
            raise NoAnswer(f"{self._address}: it takes nothing any more") from None
        except OSError as error:
            self._lose(LinkLost(f"{self._address}: the link was lost: {error.strerror or error}"))
            self._require_link()

    async def _read(self) -> None:
        begun = b""
        try:
            while data := await self._stream.read():
                *lines, begun = (begun + data).split(b"\n")
                self._lines += [line.decode("ascii", "replace").strip() for line in lines]
                while len(self._lines) > _MOST_LINES:
                    self._lines.popleft()
                self._arrived.set()
                if len(begun) > LONGEST_LINE:
                    words = f"it sent {len(begun)} bytes without an end of line"
                    self._lose(ProtocolViolation(f"{self._address}: {words}"))
                    return
            self._lose(LinkLost(f"{self._address}: the link was lost: the other end closed it"))
        except OSError as error:
            self._lose(LinkLost(f"{self._address}: the link was lost: {error.strerror or error}"))

    def _lose(self, error: DriverError) -> None:
        self._lost = self._lost or error
        self._arrived.set()

    def _require_link(self) -> None:
        if self._lost is not None:
            raise type(self._lost)(str(self._lost))


class _Silence(NoAnswer):
    """Nothing came at all."""


def _split(line: str) -> list[str]:
    """The response message's units."""
    return [unit.strip() for unit in _UNIT.findall(line)] or [""]


def _is_none(error: str) -> bool:
    """Whether an answer of the error queue says that it is empty."""
    return re.match(r"[+-]?0+(?=,|$)", error) is not None
