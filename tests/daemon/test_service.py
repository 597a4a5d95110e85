"""The whole daemon in this process, with a simulated instrument and real brokers: start, faults of parts, the end."""

import asyncio
import json
import os
import signal
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from luggin.daemon import config, service
from luggin.daemon.board import Board
from luggin.daemon.cli import exits, serve
from luggin.daemon.cli.main import main
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.config import Config
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.local import socket_of
from luggin.daemon.mqtt.remote import open_remote
from luggin.daemon.service import AlreadyRunning
from luggin.daemon.store import Store, StoreInUse
from luggin.protocol import document, topics
from luggin.protocol.payloads import Reply, RunResult
from luggin.protocol.techniques import TECHNIQUES
from support.brokers import client_of, local_access

METHOD = document.read(TECHNIQUES["cyclic-voltammetry"].example)
REFERENCE = "Ag/AgCl (3 M KCl)"
STATUS = topics.status("bench")


def settings(folder: Path, *, node: str = "bench", broker: str | None = None, **instrument: Any) -> Config:
    data: dict[str, Any] = {
        "node": {"name": node, "runtime": str(folder / "run")},
        "store": {"path": str(folder / "runs.sqlite")},
        "instruments": {"pstat": {"driver": "sim", "reference": REFERENCE, "ideal": True, **instrument}},
    }
    if broker is not None:
        data["broker"] = {"url": broker}
    return config.parse(data, folder)


class Supervisor:
    """Plays systemd: hears how far the daemon is."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "notify"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.path))
        self._socket.setblocking(False)

    async def heard(self) -> str:
        return (await asyncio.get_running_loop().sock_recv(self._socket, 100)).decode()

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def supervisor(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    found = Supervisor(tmp_path)
    monkeypatch.setenv("NOTIFY_SOCKET", str(found.path))
    yield found
    found.close()


class Serving:
    confirmed: bool | None = None


@asynccontextmanager
async def serving(
    wanted: Config, supervisor: Supervisor, by: signal.Signals = signal.SIGTERM
) -> AsyncIterator[Serving]:
    """A daemon that runs within, ended by a signal; says whether its cells were confirmed off."""
    outcome = Serving()
    task = asyncio.create_task(service.serve(wanted))
    heard = asyncio.create_task(supervisor.heard())
    await asyncio.wait({task, heard}, return_when=asyncio.FIRST_COMPLETED)
    if task.done():
        heard.cancel()
        await task
    assert heard.result() == "READY=1"
    try:
        yield outcome
    finally:
        os.kill(os.getpid(), by)
        assert await supervisor.heard() == "STOPPING=1"
        os.kill(os.getpid(), by)  # impatience changes nothing
        outcome.confirmed = await task


async def ask_locally(folder: Path, **fields: Any) -> Reply:
    reader, writer = await asyncio.open_unix_connection(socket_of(folder / "run", "bench"))
    writer.write(json.dumps(fields).encode() + b"\n")
    reply = Reply.model_validate_json(await reader.readline())
    writer.close()
    await writer.wait_closed()
    return reply


def in_state(state: str, instrument: str = "pstat") -> Any:
    topic = topics.instrument("bench", instrument, "state")
    return lambda message: message.topic == topic and json.loads(message.payload)["state"] == state


async def access(folder: Path) -> Endpoint:
    while True:
        try:
            return local_access(folder / "run")
        except OSError:  # the broker is still starting; nothing tells a stranger when it listens
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
async def test_a_signal_opens_the_cell_keeps_the_run_and_says_goodbye(
    tmp_path: Path, supervisor: Supervisor, by: signal.Signals
) -> None:
    wanted = settings(tmp_path)
    async with serving(wanted, supervisor, by) as outcome:
        where = await access(tmp_path)
        async with open_remote(where, "bench") as remote, client_of(where, topics.everything_of("bench")) as watcher:
            await watcher.until(in_state("Idle"))
            state = await remote.state("pstat")
            assert state.cell == "off"
            reply = await remote.ask("pstat", "start", token=state.token, method=METHOD)
            assert reply.accepted, reply.sentence
            await watcher.until(lambda m: m.kind == "points")
            # The watcher stays until the broker ends: what it hears last is the order of the end.
            ended = asyncio.create_task(watcher.link.lost())
            os.kill(os.getpid(), by)
            with pytest.raises(Exception):  # noqa: B017 - whichever error the client library gives
                await ended
            heard = watcher.received
    assert outcome.confirmed
    results = [n for n, m in enumerate(heard) if m.kind == "result"]
    offline = [n for n, m in enumerate(heard) if m.topic == STATUS and not json.loads(m.payload)["online"]]
    assert offline == [len(heard) - 1], heard[-4:]
    assert len(results) == 1
    published = RunResult.model_validate_json(heard[results[0]].payload)
    assert published.cell == "off"
    async with Store.open(wanted.store.path) as store:
        assert await store.result(published.run) == published
        assert published.points == await store.stored_after(published.run)
        assert [entry.kind for entry in await store.log(None)] == ["started", "ended"]
        assert await store.unpublished() == []
    assert not list((tmp_path / "run").glob("*.sock"))
    assert not list((tmp_path / "run").glob("*.json"))


async def test_a_cell_that_is_not_confirmed_off_is_said_and_recorded(
    tmp_path: Path, supervisor: Supervisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "CELL_OFF_WITHIN", 0.5)
    wanted = settings(tmp_path, faults=["relay-mute"])
    async with serving(wanted, supervisor) as outcome:
        reply = await ask_locally(tmp_path, verb="status")
        assert reply.data["node"]["online"]
    assert outcome.confirmed is False
    async with Store.open(wanted.store.path) as store:
        assert "not confirmed" in (await store.log(None))[-1].sentence
        assert any("not confirmed" in entry.sentence for entry in await store.log("pstat"))


async def test_without_a_broker_the_local_socket_serves(tmp_path: Path, supervisor: Supervisor) -> None:
    async with serving(settings(tmp_path, broker="mqtt://127.0.0.1:1"), supervisor) as outcome:
        reply = await ask_locally(tmp_path, instrument="pstat", verb="abort", command={"request": "r1"})
        assert reply.accepted
        assert "confirmed off" in reply.sentence
    assert outcome.confirmed


async def test_one_daemon_of_a_name(tmp_path: Path, supervisor: Supervisor) -> None:
    async with serving(settings(tmp_path), supervisor):
        with pytest.raises(AlreadyRunning, match=f"process {os.getpid()}"):
            await service.serve(settings(tmp_path))


async def test_one_daemon_of_a_store(tmp_path: Path) -> None:
    wanted = settings(tmp_path)
    async with Store.open(wanted.store.path):
        with pytest.raises(StoreInUse, match=str(os.getpid())):
            await service.serve(wanted)


async def test_a_supervisor_that_watches_hears_signs_of_life(
    tmp_path: Path, supervisor: Supervisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "30000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    task = asyncio.create_task(service.serve(settings(tmp_path, broker="mqtt://127.0.0.1:1")))
    heard: list[str] = []
    while "READY=1" not in heard or heard.count("WATCHDOG=1") < 3:
        heard.append(await supervisor.heard())
    os.kill(os.getpid(), signal.SIGTERM)
    while heard[-1] != "STOPPING=1":
        heard.append(await supervisor.heard())
    assert await task


class Scripted:
    """Stands for an instrument; what it does is set by the test."""

    runs = 0
    fails = 0
    hangs = False

    def __init__(self, node: str, name: str, *_: Any) -> None:
        self._ended = asyncio.Event()
        self._board: Board = _[-1]

    async def run(self) -> None:
        type(self).runs += 1
        if type(self).runs <= self.fails:
            raise RuntimeError("planned")
        await self._ended.wait()

    async def handle(self, command: ReceivedCommand) -> Reply:
        return Reply(request=command.payload.request, accepted=True, sentence=f"run {type(self).runs}")

    left = None
    interlock = None

    def stuck(self) -> str:
        return ""

    async def shutdown(self, within: float, *, leave_run: bool) -> bool:
        if self.hangs:
            await asyncio.Event().wait()
        self._ended.set()
        return True


@pytest.fixture
def scripted(monkeypatch: pytest.MonkeyPatch) -> type[Scripted]:
    class Fresh(Scripted):
        pass

    monkeypatch.setattr(service, "Instrument", Fresh)
    monkeypatch.setattr(service, "_PAUSES", (0.01, 0.01))
    return Fresh


async def test_a_failing_part_is_started_again_and_harms_no_other(
    tmp_path: Path, supervisor: Supervisor, scripted: type[Scripted]
) -> None:
    scripted.fails = 2
    async with serving(settings(tmp_path, broker="mqtt://127.0.0.1:1"), supervisor) as outcome:
        while scripted.runs < 3:  # noqa: ASYNC110 - the part is not ours to ask
            await asyncio.sleep(0)
        reply = await ask_locally(tmp_path, instrument="pstat", verb="stop", command={"request": "r1"})
        assert reply.sentence == "run 3"
    assert outcome.confirmed


async def test_an_instrument_that_hangs_in_its_shutdown_is_not_confirmed(
    tmp_path: Path, supervisor: Supervisor, scripted: type[Scripted], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "CELL_OFF_WITHIN", 0.05)
    monkeypatch.setattr(service, "_RECORD_WITHIN", 0.0)
    scripted.hangs = True
    async with serving(settings(tmp_path, broker="mqtt://127.0.0.1:1"), supervisor) as outcome:
        pass
    assert outcome.confirmed is False


@pytest.mark.parametrize(
    ("url", "warned"), [("mqtt://a@broker", True), ("mqtts://a@broker", False), ("mqtt://a@localhost", False)]
)
def test_a_password_in_the_clear_is_remarked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, url: str, warned: bool
) -> None:
    monkeypatch.setenv(config.PASSWORD_VARIABLE, "hunter2")
    with capture_logs() as said:
        service._external(settings(tmp_path, broker=url).broker)
    assert bool(said) is warned
    assert "hunter2" not in str(said)


def test_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "luggin.toml"
    path.write_text(f'[instruments.a]\ndriver = "sim"\nreference = "{REFERENCE}"\n')
    assert main(["serve", "--config", str(path), "--check"]) == exits.OK
    assert "instruments: a" in capsys.readouterr().out
    path.write_text('[instruments.a]\ndriver = "sim"\n[node]\nname = "A"\n')
    assert main(["serve", "--config", str(path)]) == exits.BAD_DOCUMENT
    said = capsys.readouterr().err
    assert "2 problems" in said
    assert "instruments.a.reference" in said
    assert main(["serve", "--config", str(tmp_path / "none.toml")]) == exits.BAD_DOCUMENT
    assert "none.toml can't be read" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("outcome", "code"),
    [(True, exits.OK), (False, exits.CELL_UNKNOWN), (AlreadyRunning("a daemon is running"), exits.FAILED)],
)
def test_exit_codes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, outcome: bool | Exception, code: int) -> None:
    async def stand_in(_: Config) -> bool:
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    path = tmp_path / "luggin.toml"
    path.touch()
    monkeypatch.setattr(service, "serve", stand_in)
    monkeypatch.setattr("luggin.daemon.logs.configure", lambda _: None)
    assert serve.HELP
    assert main(["serve", "--config", str(path)]) == code
