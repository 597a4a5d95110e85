"""Serial ports as byte streams.

Opening a port must not reset the instrument behind it.  Many boards wire the modem lines DTR and RTS to their reset;
what resets them is a change of these lines, one after the other more so than both at once.  The operating system raises
both, at the same moment, when a port is opened for the first time; that can't be helped from here and is why the link
tells firmware to ignore them.  After that they stay as they are: nothing here changes them, and the port is told not to
drop them when it is closed (HUPCL), so that opening it again changes nothing either.
"""

import asyncio
import contextlib
import errno
import os
import termios

import serial
import serial_asyncio_fast

from luggin.drivers.errors import InUse, NotReachable
from luggin.drivers.stream import LINE_DRAIN, TransportStream

_BITS_PER_BYTE = 10  # with start and stop bit
_LOOK_AGAIN = 0.02
_TAKEN = (errno.EAGAIN, errno.EBUSY)


class _Port(serial.Serial):  # type: ignore[misc]
    """A port whose `write` never waits.

    The library's own repeats a write for which there is no room until there is some, and holds up everything else
    meanwhile, for ever if the device takes nothing any more (pyserial issue 280).
    """

    def write(self, data: bytes) -> int:
        try:
            return os.write(self.fileno(), data)
        except BlockingIOError:
            raise
        except OSError as error:
            raise serial.SerialException(error.errno, f"write failed: {error.strerror}") from error


class SerialStream(TransportStream):
    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, port: serial.Serial) -> None:
        super().__init__(reader, writer)
        self._port = port

    @property
    def bytes_per_second(self) -> float:
        return float(self._port.baudrate) / _BITS_PER_BYTE

    async def write(self, data: bytes) -> None:
        await super().write(data)
        # The transport is empty now, the system's buffer is not: wait until it nearly is, as long as that makes sense.
        loop = asyncio.get_running_loop()
        latest = loop.time() + LINE_DRAIN
        while (waiting := self._waiting()) and loop.time() < latest:  # noqa: ASYNC110 (there is nothing to await)
            await asyncio.sleep(min(waiting / self.bytes_per_second, _LOOK_AGAIN))

    async def close(self) -> None:
        if not self._writer.transport.is_closing():
            with contextlib.suppress(OSError, termios.error):  # the device may be gone, and its buffer with it
                self._port.reset_output_buffer()
        await super().close()

    def _waiting(self) -> int:
        return 0 if self._writer.transport.is_closing() else int(self._port.out_waiting)


async def open_serial(port: str, baud_rate: int) -> SerialStream:
    """Open a serial port for this program alone.  Raises NotReachable with the reason."""
    loop = asyncio.get_running_loop()
    try:
        opened = _Port(port, baud_rate, exclusive=True, timeout=0, write_timeout=0)
        try:
            _keep_lines(opened)
        except BaseException:
            opened.close()
            raise
    except (OSError, ValueError, termios.error) as error:
        kind = InUse if getattr(error, "errno", None) in _TAKEN else NotReachable
        raise kind(f"serial port {port} can't be opened: {_reason(error)}") from None
    reader = asyncio.StreamReader()
    protocol = asyncio.StreamReaderProtocol(reader)
    transport, _ = await serial_asyncio_fast.connection_for_serial(loop, lambda: protocol, opened)
    return SerialStream(reader, asyncio.StreamWriter(transport, protocol, reader, loop), opened)


def _keep_lines(port: serial.Serial) -> None:
    attributes = termios.tcgetattr(port.fileno())
    attributes[2] &= ~termios.HUPCL
    termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)


def _reason(error: Exception) -> str:
    number = getattr(error, "errno", None)
    match number:
        case 2:
            return "there is no such device; is it plugged in?"
        case errno.EAGAIN | errno.EBUSY:
            return "another program uses it; close that first"
        case 13:
            return "permission denied; add the user to the group that owns the device (often dialout)"
    return str(error)
