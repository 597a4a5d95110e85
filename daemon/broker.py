"""The broker that the daemon brings along when the configuration names none: on the loopback interface only.

mosquitto where it is installed, since it can hold every user to commands that bear its own name; else the broker that
comes with the iotcore package, which can't.  Either runs as a child process with passwords made at start, is started
again when it dies, and dies with the daemon.
"""

import asyncio
import os
import secrets
import shutil
import socket
import sys
from collections import deque
from pathlib import Path

import structlog

from luggin.daemon import broker_files, endpoint
from luggin.daemon.broker_files import DAEMON_USER, HOST, LOCAL_USER, Kind, find_mosquitto
from luggin.daemon.config import PASSWORD_VARIABLE
from luggin.daemon.endpoint import Endpoint

log = structlog.get_logger(__name__)

_START_TIMEOUT = 10.0
_STOP_TIMEOUT = 3.0
_PAUSES = (0.2, 30.0)
_STEADY_AFTER = 60.0
# mosquitto would tell systemd in our name that it is ready; the rest is none of its business.
_NOT_FOR_CHILDREN = {"NOTIFY_SOCKET", "WATCHDOG_PID", "WATCHDOG_USEC", PASSWORD_VARIABLE}


class EmbeddedBroker:
    """One child process at a time.  `run` keeps it alive; `endpoint` waits until it listens."""

    def __init__(self, runtime: Path, node: str, kind: Kind | None = None) -> None:
        self.kind: Kind = kind or ("mosquitto" if find_mosquitto() else "iotcore")
        self._directory = runtime / f"{node}.broker"
        self._file = endpoint.file_of(runtime, node)
        self._passwords = {user: secrets.token_urlsafe(24) for user in (DAEMON_USER, LOCAL_USER)}
        self._port = 0
        self._listening = asyncio.Event()
        self._said: deque[str] = deque(maxlen=10)
        self.process: asyncio.subprocess.Process | None = None

    async def endpoint(self) -> Endpoint:
        """The daemon's own access, once the broker listens."""
        await self._listening.wait()
        return self._access(DAEMON_USER)

    def _access(self, user: str) -> Endpoint:
        return Endpoint(HOST, self._port, user, self._passwords[user], vouches=self.kind == "mosquitto")

    async def run(self) -> None:
        """Start the child and start it again whenever it ends.  Returns only by cancellation, with the child gone."""
        pause = _PAUSES[0]
        ever_listened = False
        try:
            while True:
                started = asyncio.get_running_loop().time()
                try:
                    listened = await self._one_life()
                except OSError as error:
                    listened = False
                    self._said.append(f"{error.filename or 'system'}: {error.strerror or error}")
                ever_listened = ever_listened or listened
                log.warning("the embedded broker ended; it is started again", kind=self.kind, said=list(self._said))
                if not ever_listened and self.kind == "mosquitto":
                    # For instance confined by the system to files of its own.
                    log.warning("mosquitto does not start here; the bundled broker serves, without access control")
                    self.kind = "iotcore"
                if asyncio.get_running_loop().time() - started > _STEADY_AFTER:
                    pause = _PAUSES[0]
                await asyncio.sleep(pause)
                pause = min(pause * 2, _PAUSES[1])
        finally:
            self._file.unlink(missing_ok=True)
            shutil.rmtree(self._directory, ignore_errors=True)

    async def _one_life(self) -> bool:
        """From start to end of one child; whether it ever listened."""
        self._said.clear()
        self._port = self._port or _free_port()
        arguments = broker_files.write(self.kind, self._directory, self._port, self._passwords)
        self.process = process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "luggin.daemon.broker_child", str(os.getpid()), *arguments),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
            env={name: value for name, value in os.environ.items() if name not in _NOT_FOR_CHILDREN},
            start_new_session=True,  # Ctrl-C in a terminal is for the daemon, which still has news to publish
        )
        ended = asyncio.create_task(self._listen_to(process), name="embedded broker's output")
        listening = asyncio.create_task(self._connectable(), name="embedded broker's start")
        try:
            await asyncio.wait({ended, listening}, return_when=asyncio.FIRST_COMPLETED)
            if ended.done() or not listening.result():
                self._port = 0  # somebody else may have taken it
                return False
            endpoint.write(self._file, self._access(LOCAL_USER))
            self._listening.set()
            log.info("the embedded broker listens", kind=self.kind, address=f"{HOST}:{self._port}", pid=process.pid)
            await ended
            return True
        finally:
            self._listening.clear()
            listening.cancel()
            await _end(process)
            await asyncio.wait({ended, listening})
            self.process = None

    async def _listen_to(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        while line := await _line(process.stdout):
            self._said.append(line)
            log.debug("broker", said=line)
        await process.wait()

    async def _connectable(self) -> bool:
        try:
            async with asyncio.timeout(_START_TIMEOUT):
                while True:
                    try:
                        _, writer = await asyncio.open_connection(HOST, self._port)
                    except OSError:
                        await asyncio.sleep(0.02)  # nothing tells when it listens
                    else:
                        writer.close()
                        return True
        except TimeoutError:
            self._said.append(f"it did not listen within {_START_TIMEOUT:g} s")
            return False


async def _line(stream: asyncio.StreamReader) -> str:
    """The next line that isn't empty; "" at the end."""
    while True:
        try:
            raw = await stream.readline()
        except ValueError:  # longer than the reader holds; the rest follows
            continue
        text = raw.decode(errors="replace").strip()
        if text or not raw:
            return text


async def _end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is not None:
        return
    process.terminate()
    try:
        async with asyncio.timeout(_STOP_TIMEOUT):
            await process.wait()
    except TimeoutError:
        process.kill()
        await process.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])
