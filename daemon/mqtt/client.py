"""One connection to a broker: aiomqtt with its traps covered.

- It keeps received messages in a queue that is either unbounded or loses messages.  Here nothing is kept: each message
  goes straight to a function that must return at once and not raise.
- A connection attempt that is cancelled or not answered leaves a socket and a task behind; they are put away here.
- Its own timeouts swallow a cancellation that comes together with the answer (asyncio.wait_for before Python 3.12
  does), so they are not used.
- A disconnected client must not be used again: make a new one.
"""

import asyncio
import logging
import math
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode

from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.dial import dial, encryption, second_handle
from luggin.protocol.topics import DELIVERY, Kind

ConnectionLost = aiomqtt.MqttError
Receiver = Callable[[str, bytes, bool], None]
"""Takes topic, payload and whether the broker had kept the message."""

KEEP_ALIVE = 20
ANSWER_TIMEOUT = 15.0
PUBLISH_TIMEOUT = 60.0  # long: everything in flight may have to pass a slow uplink first
_GOODBYE = 0.3
MOST_IN_FLIGHT = 20
_THEIR_LOG = logging.getLogger("luggin.daemon.mqtt.paho")
_THEIR_LOG.disabled = True  # each loss is raised here and logged by whoever reconnects, once


class TooLarge(Exception):
    """A message larger than the broker carries; sending it would cost the connection."""


class Link:
    """An open connection."""

    def __init__(self, client: aiomqtt.Client, endpoint: Endpoint) -> None:
        self._client = client
        self.endpoint = endpoint

    async def publish(self, topic: str, payload: bytes, kind: Kind) -> None:
        """Returns once the broker has acknowledged the message, for QoS 0 once it is on its way.

        Raises TooLarge, ConnectionLost.
        """
        if len(payload) > self.endpoint.largest_message:
            largest = self.endpoint.largest_message
            raise TooLarge(f"a message of {len(payload)} bytes for {topic}; this broker is sent at most {largest}")
        how = DELIVERY[kind]
        async with _answered(PUBLISH_TIMEOUT):
            await self._client.publish(topic, payload, how.qos, how.retain, timeout=math.inf)

    async def forget(self, topic: str) -> None:
        """Have the broker drop the message that it keeps for `topic`."""
        async with _answered(PUBLISH_TIMEOUT):
            await self._client.publish(topic, b"", 1, retain=True, timeout=math.inf)

    async def subscribe(self, topic: str) -> None:
        async with _answered(ANSWER_TIMEOUT):
            granted = await self._client.subscribe(topic, 1, timeout=math.inf)
        if any(_number(code) >= 0x80 for code in granted):
            raise ConnectionLost(f"the broker refuses the subscription to {topic}")

    async def lost(self) -> None:
        """Wait until the connection is gone; raises ConnectionLost."""
        async for _ in self._client.messages:
            raise AssertionError("received messages are handed over, none is queued")


@asynccontextmanager
async def connect(
    endpoint: Endpoint, identifier: str, last_will: tuple[str, bytes] | None, receive: Receiver
) -> AsyncIterator[Link]:
    """Open a connection; raises ConnectionLost or OSError (certificate file).  Closing says goodbye to the broker.

    `last_will` is a topic and what the broker shall say there once the connection breaks, delivered as a status.
    """

    class HandOver(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            payload = item.payload if isinstance(item.payload, bytes) else b""
            receive(item.topic.value, payload, item.retain)

    client = aiomqtt.Client(
        endpoint.host,
        endpoint.port,
        username=endpoint.user,
        password=endpoint.password,
        identifier=identifier,
        queue_type=HandOver,
        will=_will(*last_will) if last_will else None,
        clean_session=True,  # a command that waited for us at the broker is a stale one
        keepalive=KEEP_ALIVE,
        timeout=ANSWER_TIMEOUT,
        logger=_THEIR_LOG,
        max_inflight_messages=MOST_IN_FLIGHT,
        max_queued_outgoing_messages=10 * MOST_IN_FLIGHT,
        tls_context=encryption(endpoint),
    )
    client.pending_calls_threshold = 10 * MOST_IN_FLIGHT
    try:
        line = await dial(endpoint.host, endpoint.port)
    except OSError as error:
        raise ConnectionLost(error.strerror or str(error)) from None
    client._client._create_socket_connection = lambda: line  # type: ignore[method-assign]
    handle = second_handle(line)
    opening = asyncio.ensure_future(client.__aenter__())
    try:
        await asyncio.shield(opening)
    except BaseException:
        # The thread that connects can't be interrupted, but it ends with the connection.
        with suppress(OSError):
            handle.shutdown(socket.SHUT_RDWR)
        while not opening.done() and client._client.socket() is None:
            await asyncio.wait([opening], timeout=0.05)
        while not opening.done():  # asyncio.wait_for before Python 3.12 may swallow a cancellation
            opening.cancel()
            await asyncio.wait([opening], timeout=0.2)
        with suppress(aiomqtt.MqttError, OSError, asyncio.CancelledError):
            opening.result()
        await _hang_up(client)
        raise
    finally:
        handle.close()
    try:
        yield Link(client, endpoint)
    finally:
        await _leave(client)


def _will(topic: str, farewell: bytes) -> aiomqtt.Will:
    return aiomqtt.Will(topic, farewell, DELIVERY["status"].qos, DELIVERY["status"].retain)


@asynccontextmanager
async def _answered(within: float) -> AsyncIterator[None]:
    try:
        async with asyncio.timeout(within):
            yield
    except TimeoutError:
        raise ConnectionLost(f"the broker did not answer within {within:g} s") from None


def _number(code: int | ReasonCode) -> int:
    return code if isinstance(code, int) else code.value


async def _leave(client: aiomqtt.Client) -> None:
    """Say goodbye and see that it arrives.

    The client closes its socket at once.  Had the broker sent anything that was not read by then, the kernel would
    reset the connection, the goodbye would be lost, and the broker speak the last will.  So a second handle keeps the
    connection until the broker has closed it.
    """
    client.timeout = _GOODBYE
    connection = client._client.socket()
    line = second_handle(connection) if isinstance(connection, socket.socket) else None
    try:
        with suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)
        await _hang_up(client)
        if line is not None:
            await _read_to_the_end(line)
    finally:
        if line is not None:
            line.close()


async def _read_to_the_end(line: socket.socket) -> None:
    loop = asyncio.get_running_loop()
    with suppress(OSError, TimeoutError):
        line.setblocking(False)
        line.shutdown(socket.SHUT_WR)
        async with asyncio.timeout(_GOODBYE):
            while await loop.sock_recv(line, 65536):
                pass


async def _hang_up(client: aiomqtt.Client) -> None:
    """Close the socket, if it is still open, in the way that lets the client put away its own task."""
    inner = client._client
    inner.on_disconnect = None  # theirs fails when the attempt was cancelled
    connection = inner.socket()
    if isinstance(connection, socket.socket):
        with suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)  # read as the end of the stream at the next turn of the loop
    while inner.socket() is not None:  # noqa: ASYNC110 - nothing tells
        await asyncio.sleep(0)
    if client._misc_task is not None:
        client._misc_task.cancel()
        await asyncio.wait([client._misc_task])
