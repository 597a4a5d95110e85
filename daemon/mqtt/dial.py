"""A TCP connection that can be given up at any moment, and what encrypts it.

The client library dials in a thread, which nothing can interrupt: with a broker that is silent, the daemon could not
end before the thread does.
"""

import asyncio
import errno
import os
import socket
import ssl

from luggin.daemon.endpoint import Endpoint

DIAL_TIMEOUT = 5.0  # s, for each address of a name


async def dial(host: str, port: int) -> socket.socket:
    """A connected socket, blocking with a timeout.  Raises OSError."""
    loop = asyncio.get_running_loop()
    failure: OSError = OSError(errno.EHOSTUNREACH, "no address is known")
    for family, kind, protocol, _, address in await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM):
        line = socket.socket(family, kind, protocol)
        try:
            line.setblocking(False)
            async with asyncio.timeout(DIAL_TIMEOUT):
                await loop.sock_connect(line, address)
        except TimeoutError:
            line.close()
            failure = TimeoutError(errno.ETIMEDOUT, f"no connection within {DIAL_TIMEOUT:g} s")
        except OSError as error:
            line.close()
            failure = error
        except BaseException:
            line.close()
            raise
        else:
            line.settimeout(DIAL_TIMEOUT)
            return line
    raise failure


def second_handle(line: socket.socket) -> socket.socket:
    """Another handle of the same connection."""
    return socket.socket(fileno=os.dup(line.fileno()))


def encryption(endpoint: Endpoint) -> ssl.SSLContext | None:
    """How to encrypt and what to prove ourselves with.  Raises OSError, naming the file."""
    if not endpoint.encrypted:
        return None
    try:
        context = ssl.create_default_context(cafile=endpoint.ca_file)
    except OSError as error:
        raise OSError(
            error.errno, f"no certificate can be read from ca_file ({_why(error)})", endpoint.ca_file
        ) from None
    if endpoint.certificate_file is not None:
        try:
            # A key with a pass phrase must not make a daemon ask for it on a terminal.
            context.load_cert_chain(endpoint.certificate_file, endpoint.key_file, password="")
        except OSError as error:
            sentence = (
                f"certificate_file and key_file are no pair that can be read without a pass phrase ({_why(error)})"
            )
            raise OSError(error.errno, sentence, endpoint.key_file or endpoint.certificate_file) from None
    return context


def _why(error: OSError) -> str:
    return error.strerror or str(error)
