"""Asking a daemon on this machine over its Unix socket, which works when the broker does not."""

import json
import socket
import uuid
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.protocol.payloads import Reply

_TIMEOUT = 15.0


def find_socket(node: str | None) -> Path | None:
    """The socket of the daemon of this name, or of the only one here; None when there is none."""
    from luggin.daemon import places

    found: dict[str, Path] = {}
    for directory in reversed(places.runtime_directories()):
        try:
            found |= {path.stem: path for path in directory.glob("*.sock")}
        except OSError:
            continue  # another user's
    if node is not None:
        return found.get(node)
    if len(found) > 1:
        raise CliError(f"several daemons run here ({', '.join(sorted(found))}); name one with --node", exits.USAGE)
    return next(iter(found.values()), None)


def ask_locally(
    node: str | None, instrument: str | None, verb: str, timeout: float = _TIMEOUT, **fields: Any
) -> "Reply | None":
    """The reply to one order, or None when no daemon listens on this machine."""
    path = find_socket(node)
    if path is None:
        return None
    if instrument is None:
        status = ask(path, {"verb": "status"})
        if status is None:
            return None
        known = status.data["node"]["instruments"]
        if len(known) != 1:
            raise CliError(f"name an instrument with -i; there are {', '.join(known) or 'none'}", exits.USAGE)
        instrument = known[0]
    return ask(
        path, {"instrument": instrument, "verb": verb, "command": {"request": uuid.uuid4().hex, **fields}}, timeout
    )


def ask(path: Path, question: dict[str, Any], timeout: float = _TIMEOUT) -> "Reply | None":
    """Send one line and read one; None when nobody listens (a socket left by a daemon that was killed)."""
    from luggin.protocol.payloads import Reply

    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(timeout)
        try:
            connection.connect(str(path))
        except (ConnectionRefusedError, FileNotFoundError):
            return None
        except OSError as error:
            raise CliError(f"{path} can't be entered: {error.strerror}", exits.NOT_REACHABLE) from None
        try:
            connection.sendall(json.dumps(question).encode() + b"\n")
            with connection.makefile("rb") as answers:
                return Reply.model_validate_json(answers.readline())
        except (OSError, ValueError):
            raise CliError(f"the daemon at {path} did not answer within {timeout:g} s", exits.NOT_REACHABLE) from None
