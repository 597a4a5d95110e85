"""TCP connections as byte streams."""

import asyncio
import socket
import struct

from luggin.drivers.errors import NotReachable
from luggin.drivers.stream import TransportStream

_TCP_NOTSENT_LOWAT = getattr(socket, "TCP_NOTSENT_LOWAT", 25)
_UNSENT = 512
_DROP_ON_CLOSE = struct.pack("ii", 1, 0)


async def open_tcp(host: str, port: int) -> TransportStream:
    """Connect.  Raises NotReachable with the reason."""
    try:
        reader, writer = await asyncio.open_connection(host, port)
    except OSError as error:
        raise NotReachable(f"TCP {host} port {port} can't be reached: {error.strerror or error}") from None
    tune(writer)
    return TransportStream(reader, writer)


def tune(writer: asyncio.StreamWriter) -> None:
    """Let no more than about one frame wait in the system's buffers, and drop it on closing.

    What a closed connection still delivered minutes later could start something that nobody watches.
    """
    connection = writer.get_extra_info("socket")
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connection.setsockopt(socket.IPPROTO_TCP, _TCP_NOTSENT_LOWAT, _UNSENT)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _DROP_ON_CLOSE)
