"""A pseudo-terminal as a byte stream: to a host it is a serial port, on which a simulated instrument sits."""

import asyncio
import contextlib
import os
import pty
import termios
import tty


class PtyStream:
    """The instrument's end.  The port outlives every host that opens and closes it."""

    _PIECE = 4096

    def __init__(self) -> None:
        self._master, self._slave = pty.openpty()
        # Held open here so that the port does not end when a host closes it.
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self._master, False)
        self._loop = asyncio.get_running_loop()
        self._closed = False
        self._readable, self._writable = asyncio.Event(), asyncio.Event()
        self._loop.add_reader(self._master, self._readable.set)

    @property
    def path(self) -> str:
        """The device file that a host opens."""
        return os.ttyname(self._slave)

    @property
    def bytes_per_second(self) -> float | None:
        return None

    @property
    def signal_strength(self) -> float | None:
        return None

    async def read(self) -> bytes:
        while not self._closed:
            try:
                return os.read(self._master, self._PIECE)
            except BlockingIOError:
                self._readable.clear()
                await self._readable.wait()
        return b""

    async def write(self, data: bytes) -> None:
        while data:
            if self._closed:
                raise BrokenPipeError("the pseudo-terminal is closed")
            try:
                data = data[os.write(self._master, data) :]
            except BlockingIOError:
                self._writable.clear()
                self._loop.add_writer(self._master, self._writable.set)
                try:
                    await self._writable.wait()
                finally:
                    if not self._closed:
                        self._loop.remove_writer(self._master)

    async def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._loop.remove_reader(self._master)
            self._loop.remove_writer(self._master)
            self._readable.set()
            self._writable.set()
            for end in (self._master, self._slave):
                with contextlib.suppress(OSError):
                    os.close(end)
