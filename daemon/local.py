"""A Unix socket beside the broker, so that status, stop and abort work when the broker does not.

One JSON object a line, with the payloads of MQTT:

    {"verb": "status"}                                             a Reply; node, notice board, sections in its data
    {"instrument": "NAME", "verb": "abort", "command": {...}}      the Reply to that command
    {"verb": "shutdown", "command": {...}}                         the Reply to an order that only this socket takes

Whoever may enter the socket's directory is this daemon's user; the kernel says which user that is, so its name is
verified.
"""

import asyncio
import json
import pwd
import re
import socket
import struct
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType
from typing import Any

import structlog
from pydantic_core import to_jsonable_python

from luggin.daemon.board import Board
from luggin.daemon.desk import Desk
from luggin.daemon.office import Office
from luggin.protocol.payloads import MOST_COMMAND_BYTES, NodeStatus, Reply
from luggin.protocol.topics import CommandTopic, is_segment

log = structlog.get_logger(__name__)

MOST_CONNECTIONS = 32
_MOST_LINE = MOST_COMMAND_BYTES + 1024
_STATUS = "status"


def socket_of(runtime: Path, node: str) -> Path:
    return runtime / f"{node}.sock"


class LocalSocket:
    """`status` says what the node is; `path` lies in a directory that only its owner may enter.

    `sections` is what the configuration says of each instrument, so that nobody else on the machine opens its line;
    `trouble` tells why there is no broker.
    """

    def __init__(
        self,
        path: Path,
        desk: Desk,
        board: Board,
        status: Callable[[], NodeStatus],
        office: Office,
        sections: Mapping[str, Mapping[str, Any]] = MappingProxyType({}),
        trouble: Callable[[], str] = str,
    ) -> None:
        self._path, self._desk, self._board, self._status, self._office = path, desk, board, status, office
        self._trouble = trouble
        self._sections = {name: dict(section) for name, section in sections.items()}
        self._open: dict[asyncio.Task[None], None] = {}

    async def run(self) -> None:
        """Serve; returns only by cancellation.  Raises OSError when the socket can't be made."""
        self._path.unlink(missing_ok=True)  # of a daemon that was killed; a living one is found out before
        door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            door.bind(str(self._path))
            self._path.chmod(0o600)
            server = await asyncio.start_unix_server(self._accept, sock=door, limit=_MOST_LINE)
        except BaseException:
            door.close()
            raise
        try:
            await server.serve_forever()
        finally:
            self._path.unlink(missing_ok=True)
            server.close()
            for task in self._open:
                task.cancel()
            await asyncio.gather(*self._open, return_exceptions=True)
            await server.wait_closed()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Whoever comes is heard, an abort above all; with too many, the oldest conversation ends."""
        if len(self._open) >= MOST_CONNECTIONS:
            next(iter(self._open)).cancel()
        task = asyncio.get_running_loop().create_task(self._converse(reader, writer), name="local client")
        self._open[task] = None
        task.add_done_callback(self._open.pop)

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        client = _peer(writer.get_extra_info("socket"))
        try:
            while line := await reader.readline():
                reply = await self._answer(line, client)
                writer.write(reply.model_dump_json().encode() + b"\n")
                await writer.drain()
        except ValueError:
            log.warning("a local client sent too long a line", client=client)
        except OSError as error:
            log.debug("a local client went away", client=client, reason=str(error))
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    async def _answer(self, line: bytes, client: str) -> Reply:
        try:
            asked = json.loads(line)
            verb, instrument = asked["verb"], asked.get("instrument", "")
            command = asked.get("command", {})
        except (ValueError, RecursionError, KeyError, TypeError, AttributeError):
            return _refused("a line is a JSON object with verb, instrument and command")
        if verb == _STATUS:
            return self._tell_status(command)
        if isinstance(verb, str) and verb in self._office.verbs:
            return await self._office.handle(verb, command, client)
        if not all(isinstance(each, str) and is_segment(each) for each in (verb, instrument)):
            return _refused("verb and instrument are 1 to 64 of a-z, 0-9 and -")
        topic = CommandTopic(self._desk.node, instrument, client, verb)
        answer = await self._desk.answer(topic, json.dumps(command).encode(), True, "local")
        return answer.reply if answer else _refused("the same request is being carried out already")

    def _tell_status(self, command: object) -> Reply:
        request = command.get("request") if isinstance(command, dict) else None
        data = {
            "node": self._status(),
            "board": dict(self._board.entries),
            "sections": self._sections,
            "broker": self._trouble(),
        }
        known = isinstance(request, str) and is_segment(request)
        return Reply(request=request if known else _STATUS, accepted=True, data=to_jsonable_python(data))


def _refused(sentence: str) -> Reply:
    return Reply(request="unread", accepted=False, sentence=sentence)


def _peer(connection: socket.socket) -> str:
    """The user at the other end as a topic segment; unix(7), SO_PEERCRED: pid, uid, gid."""
    size = struct.calcsize("3i")
    _, user, _ = struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size))
    try:
        name = pwd.getpwuid(user).pw_name
    except KeyError:
        name = f"user-{user}"
    return re.sub(r"[^a-z0-9-]+", "-", name.lower())[:64] or f"user-{user}"
