"""A broker of the laboratory with TLS, users and access control; real mosquitto."""

import asyncio
import gc
import shutil
import ssl
import subprocess
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from luggin.daemon.broker import _free_port
from luggin.daemon.broker_files import _hashed, find_mosquitto
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import ConnectionLost
from luggin.protocol import topics
from support.brokers import client_of

pytestmark = pytest.mark.skipif(
    find_mosquitto() is None or shutil.which("openssl") is None, reason="needs mosquitto and openssl"
)

_CONFIGURATION = """
listener {port} 127.0.0.1
allow_anonymous false
password_file {folder}/passwords
certfile {folder}/certificate.pem
keyfile {folder}/key.pem
user root
"""


def make_certificate(folder: Path, name: str) -> None:
    subject = ["-subj", f"/CN={name}", "-addext", f"subjectAltName=DNS:{name}"]
    files = ["-keyout", str(folder / "key.pem"), "-out", str(folder / "certificate.pem")]
    kind = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    subprocess.run(["openssl", "req", "-x509", *kind, *files, *subject], check=True, capture_output=True)


@pytest.fixture
async def encrypted(tmp_path: Path) -> AsyncIterator[Endpoint]:
    program = find_mosquitto()
    assert program is not None
    make_certificate(tmp_path, "localhost")
    (tmp_path / "passwords").write_text(f"ada:{_hashed('secret')}\n")
    port = _free_port()
    configuration = tmp_path / "mosquitto.conf"
    configuration.write_text(_CONFIGURATION.format(port=port, folder=tmp_path))
    broker = await asyncio.create_subprocess_exec(program, "-c", str(configuration), stderr=asyncio.subprocess.PIPE)
    assert broker.stderr is not None
    while b"running" not in await broker.stderr.readline():
        pass
    where = Endpoint("localhost", port, "ada", "secret", encrypted=True, ca_file=str(tmp_path / "certificate.pem"))
    yield where
    broker.terminate()
    await broker.communicate()


async def test_messages_over_an_encrypted_connection(encrypted: Endpoint) -> None:
    topic = topics.run("bench", "pstat", "run-1", "points")
    async with client_of(encrypted, topics.everything_of("bench")) as client:
        large = b"x" * 100_000
        async with asyncio.TaskGroup() as group:
            for _ in range(20):
                group.create_task(client.link.publish(topic, large, "points"))
        await client.link.publish(topic, b"last", "points")
        await client.until(lambda m: m.payload == b"last")
        assert len(client.received) == 21


# The client library leaves the socket of a failed handshake to the garbage collector: let it happen here.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
async def test_an_unknown_certificate_a_wrong_name_and_a_wrong_password_are_refused(encrypted: Endpoint) -> None:
    for wrong in (
        replace(encrypted, ca_file=None),
        replace(encrypted, host="127.0.0.1"),
        replace(encrypted, password="guess"),
    ):
        with pytest.raises((ConnectionLost, ssl.SSLError)):
            async with client_of(wrong):
                pass
    gc.collect()
