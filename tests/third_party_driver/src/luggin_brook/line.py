"""The Brook's lines: `7 read` is answered with `7 ok 100.000 10.000 on`, or with `7 no` and the reason."""

import asyncio
from itertools import count

from luggin.drivers.errors import LinkLost, NoAnswer, Refused
from luggin.drivers.stream import ByteStream


class Line:
    """Numbers its requests, so that each answer finds whoever waits for it and nothing has to wait for its turn."""

    def __init__(self, stream: ByteStream) -> None:
        self._stream, self._numbers = stream, count(1)
        self._waiting: dict[str, asyncio.Future[list[str]]] = {}
        self._lost: str | None = None
        self._task = asyncio.create_task(self._read())

    async def ask(self, words: str) -> list[str]:
        """Raises Refused with the instrument's reason, NoAnswer after a second, LinkLost."""
        number = str(next(self._numbers))
        answer: asyncio.Future[list[str]] = asyncio.get_running_loop().create_future()
        self._waiting[number] = answer
        try:
            if self._lost is None:
                await self._stream.write(f"{number} {words}\n".encode())
                async with asyncio.timeout(1.0):
                    verdict, *values = await answer
        except TimeoutError:
            raise NoAnswer(f"the Brook did not answer {words!r} within a second") from None
        except OSError as error:
            self._lost = str(error)
        finally:
            del self._waiting[number]
        if self._lost is not None:
            raise LinkLost(f"the line to the Brook was lost: {self._lost}")
        if verdict != "ok":
            raise Refused(f"the Brook says: {' '.join(values)}")
        return values

    async def close(self) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        await self._stream.close()

    async def _read(self) -> None:
        begun = b""
        while len(begun) < 1024 and (data := await self._received()):
            *lines, begun = (begun + data).split(b"\n")
            for number, *words in (line.decode("ascii", "replace").split() for line in lines if b" " in line.strip()):
                if (waiting := self._waiting.get(number)) is not None and not waiting.done():
                    waiting.set_result(words)
        self._lost = "it was closed at the other end"
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_result(["lost"])

    async def _received(self) -> bytes:
        try:
            return await self._stream.read()
        except OSError:
            return b""
