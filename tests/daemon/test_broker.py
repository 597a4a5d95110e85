"""The embedded broker: real mosquitto and iotcore processes."""

import asyncio
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path
from typing import get_args

import psutil
import pytest

from luggin.daemon import broker as broker_module
from luggin.daemon.broker import EmbeddedBroker
from luggin.daemon.broker_files import HOST, Kind, find_mosquitto
from luggin.daemon.mqtt import client as mqtt_client
from luggin.daemon.mqtt.client import ConnectionLost
from luggin.protocol import topics
from support.brokers import NODE, client_of, embedded, local_access, running, with_password

pytestmark = pytest.mark.skipif(find_mosquitto() is None, reason="needs mosquitto")
KINDS: tuple[Kind, ...] = get_args(Kind)
STATUS = topics.status(NODE)


def files_in(directory: Path) -> list[Path]:
    return [path for path in directory.rglob("*") if path.is_file()]


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> Kind:
    found: Kind = request.param
    return found


async def test_carries_and_keeps_messages(tmp_path: Path, kind: Kind) -> None:
    async with (
        embedded(tmp_path, kind) as broker,
        client_of(await broker.endpoint(), name="daemon") as daemon,
    ):
        await daemon.link.publish(STATUS, b"kept", "status")
        large = b"x" * (await broker.endpoint()).largest_message
        async with client_of(local_access(tmp_path), topics.everything_of(NODE)) as client:
            assert (await client.until(lambda m: m.topic == STATUS)).kept
            await daemon.link.publish(topics.run(NODE, "pstat", "run-1", "points"), large, "points")
            assert (await client.until(lambda m: m.kind == "points")).payload == large


async def test_nobody_enters_without_the_password(tmp_path: Path, kind: Kind, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_client, "ANSWER_TIMEOUT", 0.3)
    async with embedded(tmp_path, kind):
        with pytest.raises(ConnectionLost):
            async with client_of(with_password(local_access(tmp_path), "guess")):
                pass


async def test_listens_on_the_loopback_interface_only(tmp_path: Path, kind: Kind) -> None:
    async with embedded(tmp_path, kind) as broker:
        assert broker.process is not None
        family = [psutil.Process(broker.process.pid), *psutil.Process(broker.process.pid).children(recursive=True)]
        listening = [c.laddr.ip for p in family for c in p.net_connections() if c.status == psutil.CONN_LISTEN]
    assert listening == [HOST]


async def test_only_the_owner_reads_the_secrets(tmp_path: Path, kind: Kind) -> None:
    async with embedded(tmp_path, kind) as broker:
        password = (await broker.endpoint()).password
        files = files_in(tmp_path)
        assert files
        assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in files)
        assert broker.process is not None
        assert password is not None
        assert password not in " ".join(psutil.Process(broker.process.pid).cmdline())
        assert password not in repr(await broker.endpoint())
    assert files_in(tmp_path) == []


async def test_a_user_writes_only_commands_that_bear_its_name(tmp_path: Path) -> None:
    async with (
        embedded(tmp_path, "mosquitto") as broker,
        client_of(await broker.endpoint(), topics.everything_of(NODE), name="daemon") as daemon,
        client_of(local_access(tmp_path)) as client,
    ):
        assert (await broker.endpoint()).vouches
        await client.link.publish(topics.command(NODE, "pstat", "somebody", "abort"), b"forged", "command")
        await client.link.publish(topics.instrument(NODE, "pstat", "state"), b"forged", "state")
        await client.link.publish(topics.command(NODE, "pstat", "local", "abort"), b"own", "command")
        await daemon.until(lambda m: m.payload == b"own")
        assert [m.payload for m in daemon.received] == [b"own"]


async def test_iotcore_does_not_vouch(tmp_path: Path) -> None:
    async with embedded(tmp_path, "iotcore") as broker:
        assert not (await broker.endpoint()).vouches


async def test_comes_back_after_being_killed(tmp_path: Path, kind: Kind) -> None:
    async with embedded(tmp_path, kind) as broker:
        before = await broker.endpoint()
        for _ in range(2):
            assert broker.process is not None
            killed = broker.process
            os.kill(killed.pid, signal.SIGKILL)
            await killed.wait()
            while broker.process is killed:  # noqa: ASYNC110 - nothing tells
                await asyncio.sleep(0)
            after = await broker.endpoint()
            assert after == before  # clients find it where it was
            async with client_of(after):
                pass


async def test_a_mosquitto_that_does_not_start_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    confined = tmp_path / "mosquitto"
    confined.write_text("#!/bin/sh\necho 'Error: Unable to open config file' >&2\nexit 3\n")
    confined.chmod(0o755)
    monkeypatch.setattr("luggin.daemon.broker_files.find_mosquitto", lambda: str(confined))
    runtime = tmp_path / "run"
    runtime.mkdir(mode=0o700)
    async with running(EmbeddedBroker(runtime, NODE, "mosquitto")) as broker:
        assert broker.kind == "iotcore"
        assert not (await broker.endpoint()).vouches


async def test_mosquitto_is_preferred_where_it_is_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert EmbeddedBroker(tmp_path, NODE).kind == "mosquitto"
    monkeypatch.setattr(broker_module, "find_mosquitto", lambda: None)
    assert EmbeddedBroker(tmp_path, NODE).kind == "iotcore"


_PARENT = """
import asyncio, sys
from pathlib import Path
from luggin.daemon.broker import EmbeddedBroker
async def main():
    broker = EmbeddedBroker(Path(sys.argv[1]), "bench", sys.argv[2])
    task = asyncio.create_task(broker.run())
    await broker.endpoint()
    print(broker.process.pid, flush=True)
    await task
asyncio.run(main())
"""


def test_dies_with_the_daemon(tmp_path: Path, kind: Kind) -> None:
    parent = subprocess.Popen([sys.executable, "-c", _PARENT, str(tmp_path), kind], stdout=subprocess.PIPE, text=True)
    with parent:
        assert parent.stdout is not None
        number = next(line for line in parent.stdout if line.strip().isdigit())  # between lines of the log
        child = psutil.Process(int(number))
        parent.kill()
    assert psutil.wait_procs([child], timeout=10)[1] == []
