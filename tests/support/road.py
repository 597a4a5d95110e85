"""The whole road as its user walks it: real processes, real serial lines, a real broker, the command line."""

import asyncio
import json
import os
import shutil
import socket
import sys
from asyncio.subprocess import PIPE, STDOUT, Process
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

LUGGIN = (sys.executable, "-c", "import sys; from luggin.daemon.cli.main import main; sys.exit(main(sys.argv[1:]))")
REFERENCE = "Ag/AgCl (3 M KCl)"
_LOOK_AGAIN = 0.02
has_mosquitto = pytest.mark.skipif(
    shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin") is None, reason="mosquitto is missing"
)


class Road:
    """Starts and ends the processes of one test; everything lives in `folder`."""

    def __init__(self, folder: Path, stack: AsyncExitStack) -> None:
        self.folder, self.store = folder, folder / "runs.sqlite"
        self._stack = stack
        (folder / "runtime").mkdir(mode=0o700)
        self.environment = {
            **os.environ,
            "HOME": str(folder),
            "XDG_RUNTIME_DIR": str(folder / "runtime"),
            "XDG_STATE_HOME": str(folder),
            "XDG_CONFIG_HOME": str(folder / "config"),
        }
        self.environment.pop("LUGGIN_BROKER", None)

    async def start(self, *command: str, stderr: int = STDOUT, stdin: int | None = None) -> Process:
        process = await asyncio.create_subprocess_exec(
            *command, stdin=stdin, stdout=PIPE, stderr=stderr, env=self.environment, cwd=self.folder, limit=2**26
        )
        self._stack.push_async_callback(_end, process)
        return process

    async def simulate(self, name: str, cell: str, *more: str) -> Process:
        """A simulated instrument in a process of its own, its serial port under the link `name`."""
        port, log = self.folder / name, self.folder / f"{name}.points"
        process = await self.start(
            *LUGGIN, "simulate", "--cell", cell, "--pty", str(port), "--points-log", str(log), *more
        )
        assert (await line(process)).startswith("pty ")
        return process

    async def broker(self, port: int) -> Process:
        """A mosquitto of the laboratory, on loopback, open to everybody there."""
        path = self.folder / "mosquitto.conf"
        path.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 100000\n")
        program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin")
        assert program is not None
        process = await self.start(program, "-c", str(path))
        while "running" not in await line(process):
            pass
        return process

    async def serve(self, instruments: dict[str, dict[str, Any]], broker: str = "", *prefix: str) -> Process:
        """The daemon, once it has started; its log goes on being read."""
        text = f'[node]\nname = "bench"\n[store]\npath = "{self.store}"\n'
        text += f'[broker]\nurl = "{broker}"\n' if broker else ""
        for name, settings in instruments.items():
            text += f"[instruments.{name}]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in settings.items())
        (self.folder / "luggin.toml").write_text(text)
        process = await self.start(*prefix, *LUGGIN, "serve", "--config", str(self.folder / "luggin.toml"))
        while '"event": "started"' not in await line(process):
            pass
        self._stack.push_async_callback(_stop_reading, asyncio.create_task(_read_on(process)))
        return process

    async def luggin(self, *arguments: str) -> tuple[int, str, str]:
        """One command: exit code, stdout, stderr."""
        process = await self.start(*LUGGIN, *arguments, stderr=PIPE)
        out, err = await process.communicate()
        assert process.returncode is not None
        assert "Traceback" not in err.decode(), err.decode()
        return process.returncode, out.decode(), err.decode()

    async def told(self, *arguments: str) -> Any:
        """What a command prints as JSON; it must succeed."""
        code, out, err = await self.luggin(*arguments, "--json")
        assert code == 0, err
        return json.loads(out)

    async def until(self, name: str, **wanted: str | None) -> dict[str, Any]:
        """Wait until the instrument stands so, as the daemon tells on its socket; the test's timeout bounds it."""
        while True:
            board = (await self.ask({"verb": "status"}))["data"]["board"]
            state: dict[str, Any] = board.get(f"luggin/bench/{name}/state", {})
            if state and all(state.get(key) == value for key, value in wanted.items()):
                return state
            await asyncio.sleep(_LOOK_AGAIN)

    async def ask(self, question: dict[str, Any]) -> dict[str, Any]:
        """One line to the daemon's socket; its reply."""
        socket = self.folder / "runtime" / "luggin" / "bench.sock"
        reader, writer = await asyncio.open_unix_connection(socket, limit=2**26)
        writer.write(json.dumps(question).encode() + b"\n")
        reply: dict[str, Any] = json.loads(await reader.readline())
        writer.close()
        await writer.wait_closed()
        return reply


def serial(folder: Path, name: str) -> dict[str, Any]:
    return {"driver": "serial", "port": str(folder / name), "reference": REFERENCE}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def line(process: Process) -> str:
    assert process.stdout is not None
    raw = await process.stdout.readline()
    assert raw, f"a process ended before it said what was waited for (exit {await process.wait()})"
    return raw.decode()


@asynccontextmanager
async def walked(folder: Path) -> AsyncIterator[Road]:
    async with AsyncExitStack() as stack:
        yield Road(folder, stack)


async def _read_on(process: Process) -> None:
    assert process.stdout is not None
    while await process.stdout.readline():
        pass


async def _stop_reading(task: "asyncio.Task[None]") -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def _end(process: Process) -> None:
    if process.returncode is None:
        process.terminate()
        try:
            async with asyncio.timeout(15):
                await process.wait()
        except TimeoutError:
            process.kill()
    await process.wait()
    # The transport goes with the process; without this turn its closing is seen after the loop is gone.
    process._transport.close()  # type: ignore[attr-defined]
    await asyncio.sleep(0)
