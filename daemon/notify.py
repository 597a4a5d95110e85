"""Tells systemd how far we are, see sd_notify(3); nothing where systemd did not start us."""

import os
import socket
from contextlib import suppress


def notify(state: str) -> None:
    """`state` is for instance READY=1."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    if address.startswith("@"):  # an abstract socket
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel, suppress(OSError):
        channel.sendto(state.encode(), address)
