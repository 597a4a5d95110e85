"""The broker: reached, let in, and allowed to do what the daemon does there."""

import asyncio
import ssl
import uuid
from collections.abc import AsyncIterator

from luggin.daemon.broker_files import find_mosquitto
from luggin.daemon.checkup.finding import Finding, bad, good, remark
from luggin.daemon.config import BrokerSettings
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import ConnectionLost, Link, connect
from luggin.protocol import topics

_WITHIN, _ECHO_WITHIN = 10.0, 3.0
_WHAT = "broker"


async def look(settings: BrokerSettings | None, node: str, trouble: str | None = None) -> AsyncIterator[Finding]:
    """`trouble` is what a running daemon says of its connection, empty when it has none; None without a daemon."""
    if settings is None:
        kind = "mosquitto" if find_mosquitto() else "the small one that comes with luggin"
        yield good(_WHAT, f"None is configured: the daemon brings its own on this machine ({kind}).")
        return
    try:
        endpoint = settings.endpoint()
    except OSError as error:
        sentence = f"The password file {error.filename} can't be read: {error.strerror}."
        yield bad(_WHAT, sentence, "let the daemon's user read it")
        return
    if endpoint.user and not endpoint.password and not endpoint.certificate_file:
        yield _told(endpoint, trouble)
    else:
        async for finding in _tried(endpoint, node):
            yield finding
    if endpoint.password and not endpoint.encrypted and endpoint.host not in ("localhost", "127.0.0.1", "::1"):
        sentence = "The password travels over the network in the clear."
        yield remark(_WHAT, sentence, "use mqtts:// where the broker can")
    if not endpoint.vouches:
        sentence = "Nobody vouches for the names of those who send commands (acl = false); they are marked so in runs."
        remedy = "let the broker allow each user only luggin/+/+/command/<its own name>/+, then set acl = true"
        yield remark(_WHAT, sentence, remedy)


def _told(endpoint: Endpoint, trouble: str | None) -> Finding:
    """Of a password that this user does not know, such as a credential that systemd gives to the service alone."""
    unknown = f"The password of {endpoint.user} is not known here"
    if trouble is None:
        sentence = f"{unknown}, and no daemon runs that could tell how {endpoint} takes it."
        return remark(_WHAT, sentence, "start the service and ask again, or name a password_file")
    if trouble:
        return bad(_WHAT, f"{unknown}; the daemon says: {trouble}.", "check address, network, user and password")
    return good(_WHAT, f"{unknown}; the daemon is connected to {endpoint}.")


async def _tried(endpoint: Endpoint, node: str) -> AsyncIterator[Finding]:
    client = f"luggin-checkup-{uuid.uuid4().hex[:8]}"
    echo = asyncio.Event()
    try:
        async with asyncio.timeout(_WITHIN), connect(endpoint, client, None, lambda *_: echo.set()) as link:
            yield good(_WHAT, f"{endpoint} is reached and lets {endpoint.user or 'anybody'} in.")
            async for finding in _role(link, node, echo):
                yield finding
    except (ConnectionLost, TimeoutError) as error:
        sentence = f"{endpoint} is not reached or does not let {endpoint.user or 'an unnamed user'} in: {_why(error)}."
        yield bad(_WHAT, sentence, "check address, network, user and password; runs go on without it meanwhile")
    except (OSError, ssl.SSLError) as error:
        yield bad(_WHAT, f"{endpoint} is not reached: {error}.", "check address, network and ca_file")


async def _role(link: Link, node: str, echo: asyncio.Event) -> AsyncIterator[Finding]:
    """Whether this account may hear commands and may publish, tried on a reply topic that nobody listens to."""
    try:
        await link.subscribe(topics.commands_of(node))
    except ConnectionLost:
        sentence = f"The account may not subscribe to {topics.commands_of(node)}: no command would arrive."
        yield bad("role", sentence, f"allow it to read and write luggin/{node}/#")
        return
    own = topics.reply(node, topics.STORE, "checkup")
    try:
        await link.subscribe(own)
        await link.publish(own, b"{}", "reply")
        async with asyncio.timeout(_ECHO_WITHIN):
            await echo.wait()
    except (ConnectionLost, TimeoutError):
        sentence = f"The account may not publish below luggin/{node}: nothing of a run would be seen."
        yield bad("role", sentence, f"allow it to read and write luggin/{node}/#")
        return
    yield good("role", "The account may hear commands and publish.")


def _why(error: Exception) -> str:
    return "no answer" if isinstance(error, TimeoutError) else str(error) or type(error).__name__
