"""The demo's bench: a daemon and simulated instruments in processes of their own, and a client of the daemon."""

import asyncio
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.daemon.cli.follow import Follower
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import Evaluation
    from luggin.protocol.sequence import SequenceDocument

NODE, INSTRUMENT = "demo", "bench"
REFERENCE = "Ag/AgCl (3 M KCl)"
PATIENCE = 30.0
_CONFIGURATION = f"""
[node]
name = "{NODE}"
runtime = "run"

[store]
path = "runs.sqlite"

[instruments.{INSTRUMENT}]
driver = "serial"
port = "port"
reference = "{REFERENCE}"
electrode = "gc-3"
area = "7.07 mm2"
"""


@asynccontextmanager
async def daemon(scratch: Path) -> AsyncIterator[None]:
    """The daemon, with its store and runtime files in `scratch`."""
    (scratch / "run").mkdir(mode=0o700)
    # Absolute: the path of a serial port counts from wherever the daemon stands.
    text = _CONFIGURATION.replace('port = "port"', f'port = "{scratch / "port"}"')
    (scratch / "luggin.toml").write_text(text, encoding="utf-8")
    async with _child("serve", "--config", str(scratch / "luggin.toml"), log=scratch / "serve.log"):
        yield


@asynccontextmanager
async def _child(*arguments: str, log: Path) -> AsyncIterator["asyncio.subprocess.Process"]:
    """A luggin process of its own, ended in order on leaving."""
    code = "import sys; from luggin.daemon.cli.main import main; sys.exit(main(sys.argv[1:]))"
    with log.open("ab") as file:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", code, *arguments, stdout=file, stderr=subprocess.STDOUT, start_new_session=True
        )
        try:
            yield process
        finally:
            if process.returncode is None:
                process.terminate()
            try:
                async with asyncio.timeout(15):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()


@asynccontextmanager
async def instrument(scratch: Path, cell: str, speed: float) -> AsyncIterator[None]:
    """A simulated instrument with this cell on it, at the port that the daemon knows."""
    port = scratch / "port"
    arguments = ("simulate", "--cell", cell, "--pty", str(port), "--speed", f"{speed:g}")
    async with _child(*arguments, log=scratch / "simulate.log") as process:
        await _until(lambda: port.exists() or process.returncode is not None, scratch, "the simulated instrument")
        yield


@asynccontextmanager
async def connected(scratch: Path) -> AsyncIterator["Remote"]:
    """A client of the demo's daemon, once the instrument is Idle with its cell confirmed off."""
    from luggin.daemon import endpoint
    from luggin.daemon.mqtt.remote import open_remote

    path = endpoint.file_of(scratch / "run", NODE)
    await _until(path.exists, scratch, "the daemon")
    async with open_remote(endpoint.read(path), NODE) as remote:
        await remote.state(INSTRUMENT)
        deadline = time.monotonic() + PATIENCE
        while True:
            state = await remote.state(INSTRUMENT)
            if (state.state, state.cell, state.link) == ("Idle", "off", "up"):
                break
            if time.monotonic() > deadline:
                raise CliError(
                    f"the instrument did not get ready: {state.reason} {_tail(scratch)}", exits.NOT_REACHABLE
                )
            await remote.changed()
        yield remote


async def _until(true: Callable[[], bool], scratch: Path, what: str) -> None:
    deadline = time.monotonic() + PATIENCE
    while not true():
        if time.monotonic() > deadline:
            raise CliError(f"{what} did not start within {PATIENCE:g} s. {_tail(scratch)}", exits.NOT_REACHABLE)
        await asyncio.sleep(0.05)  # another process makes a file; there is nothing to await


def _tail(scratch: Path) -> str:
    lines = [line for log in sorted(scratch.glob("*.log")) for line in log.read_text().splitlines()[-3:]]
    return "Its last words: " + " | ".join(lines) if lines else ""


async def measure(remote: "Remote", method: dict[str, Any], *, quiet: bool = False) -> "Follower":
    """One run, watched to its end."""
    from luggin.daemon.cli.live import show

    early: list[tuple[str, bytes]] = []
    async with remote.watching(lambda topic, payload: early.append((topic, payload))):
        token = (await remote.state(INSTRUMENT)).token
        reply = await remote.ask(INSTRUMENT, "start", token=token, method=method)
        if not reply.accepted or reply.run is None:
            raise CliError("; ".join([reply.sentence, *reply.problems]))
        follower = await show(remote, INSTRUMENT, reply.run, early, quiet=quiet, ask_to_end=asyncio.Queue())
    result = follower.result
    assert result is not None
    print(f"{result.run}: {result.state}, {result.points} points, cell {result.cell}")
    if result.state != "Complete" or result.cell != "off":
        raise CliError(f"the run did not complete: {result.sentence}", exits.ABORTED)
    return follower


async def carried_out(remote: "Remote", sequence: "SequenceDocument", instrument: str = INSTRUMENT) -> "Evaluation":
    """The sequence from its beginning to the evaluation of all its runs; prompts are answered at once."""
    from luggin.daemon.cli.addition import tell
    from luggin.daemon.cli.evaluations import fetch_evaluation
    from luggin.daemon.cli.sequence import accepted, begin, with_token

    told = sequence.model_dump(mode="json", exclude_none=True)
    await begin(remote, instrument, told)
    seen: object = None
    answered = 0
    while True:
        state = await remote.sequence(instrument)
        now = (state.doing, state.run, state.prompt)
        if now != seen:
            seen = now
            tell(state, as_json=False)
        if state.prompt is not None and state.prompt > answered:
            answered = state.prompt
            print("    done (answered by the demo; on a real bench a person presses Return)", flush=True)
            words = "done, says the demo"
            accepted(await with_token(remote, instrument, "answer", prompt=state.prompt, words=words))
        elif state.evaluation:
            return await fetch_evaluation(remote, state.evaluation)
        elif state.status is None or (state.status != "Execute" and state.doing != "evaluating"):
            raise CliError(f"the sequence is {state.status}: {state.reason}", exits.ABORTED)
        await remote.changed()
