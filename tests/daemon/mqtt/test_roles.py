"""What each role may read and send at a real mosquitto with the access control that `luggin describe --acl` writes."""

import gc
import shutil
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from luggin.daemon.acl import Part
from luggin.daemon.broker_files import find_mosquitto
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt import client as mqtt_client
from luggin.daemon.mqtt.client import ConnectionLost
from luggin.protocol import topics
from luggin.protocol.payloads import COMMANDS, LOCAL_ORDERS, QUESTIONS, STORE_COMMANDS
from luggin.protocol.topics import STORE
from support.brokers import Client, client_of
from support.guarded import Guarded, guarded

NODE = "bench"
PARTS: dict[str, Part] = {
    NODE: "daemon",
    "other": "daemon",
    "gallery": "view",
    "ada": "operate",
    "grace": "maintain",
}
pytestmark = pytest.mark.skipif(
    find_mosquitto() is None or shutil.which("openssl") is None, reason="needs mosquitto and openssl"
)


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Guarded]:
    async with guarded(tmp_path / "broker", PARTS) as where:
        yield where


@pytest.fixture
async def clients(broker: Guarded) -> AsyncIterator[dict[str, Client]]:
    """One client for each user; all want to hear everything."""
    async with AsyncExitStack() as stack:
        yield {
            name: await stack.enter_async_context(client_of(broker.access(name), "luggin/#", name=f"{name}-client"))
            for name in PARTS
        }


async def verbs_that_arrive(clients: dict[str, Client], user: str, sender: str | None = None) -> set[str]:
    """Of all verbs, sent by `user` in the name of `sender`."""
    daemon, link, name = clients[NODE], clients[user].link, sender or user
    before = len(daemon.received)
    for verb in (*COMMANDS, *LOCAL_ORDERS):
        await link.publish(topics.command(NODE, "pstat", name, verb), b"{}", "command")
    for verb in (*QUESTIONS, *STORE_COMMANDS, *LOCAL_ORDERS):
        await link.publish(topics.command(NODE, STORE, name, verb), b"{}", "command")
    await clients[NODE].link.publish(topics.status(NODE), b"that was all", "status")
    await daemon.until(lambda m: m in daemon.received[before:] and m.payload == b"that was all")
    return {each.kind for each in daemon.received[before:] if "/command/" in each.topic}


async def test_a_viewer_commands_nothing_and_may_ask_the_store(clients: dict[str, Client]) -> None:
    assert await verbs_that_arrive(clients, "gallery") == set(QUESTIONS)


async def test_an_operator_runs_and_evaluates_and_does_not_attest(clients: dict[str, Client]) -> None:
    assert await verbs_that_arrive(clients, "ada") == {*COMMANDS, *QUESTIONS, *STORE_COMMANDS} - {"attest"}


async def test_a_maintainer_attests_and_nobody_deletes_over_mqtt(clients: dict[str, Client]) -> None:
    assert await verbs_that_arrive(clients, "grace") == {*COMMANDS, *QUESTIONS, *STORE_COMMANDS}


async def test_nobody_commands_in_the_name_of_another(clients: dict[str, Client]) -> None:
    assert await verbs_that_arrive(clients, "ada", sender="grace") == set()
    assert await verbs_that_arrive(clients, "grace", sender="ada") == set()
    assert await verbs_that_arrive(clients, "other", sender="ada") == set()  # another daemon does not either


async def test_nobody_but_the_daemon_speaks_for_it(clients: dict[str, Client]) -> None:
    for user in ("gallery", "ada", "grace", "other"):
        link = clients[user].link
        await link.publish(topics.status(NODE), b"forged", "status")
        await link.publish(topics.claim(NODE), b"forged", "claim")
        await link.publish(topics.instrument(NODE, "pstat", "state"), b"forged", "state")
        await link.publish(topics.run(NODE, "pstat", "run-1", "points"), b"forged", "points")
        await link.publish(topics.reply(NODE, "pstat", "ada"), b"forged", "reply")
    await clients[NODE].link.publish(topics.status(NODE), b"true", "status")
    for user in ("gallery", "ada", "grace"):
        await clients[user].until(lambda m: m.payload == b"true")
        assert not [each for each in clients[user].received if each.payload == b"forged"]


async def test_users_read_measurements_and_only_their_own_replies(clients: dict[str, Client]) -> None:
    link = clients[NODE].link
    await link.publish(topics.reply(NODE, "pstat", "grace"), b"for grace", "reply")
    await clients["grace"].link.publish(topics.command(NODE, "pstat", "grace", "abort"), b"by grace", "command")
    await link.publish(topics.run(NODE, "pstat", "run-1", "points"), b"points", "points")
    await link.publish(topics.run(NODE, "pstat", "run-1", "result"), b"result", "result")
    for user in ("gallery", "ada", "grace"):
        await clients[user].until(lambda m: m.payload == b"result")
    read = {user: [each.payload for each in clients[user].received] for user in PARTS}
    assert read["gallery"] == read["ada"] == [b"points", b"result"]
    assert read["grace"] == [b"for grace", b"points", b"result"]
    assert read["other"] == []  # a daemon reads its own node only


async def test_who_is_not_known_does_not_come_in(broker: Guarded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_client, "ANSWER_TIMEOUT", 0.5)
    ada = broker.access("ada")
    strangers: list[Endpoint] = [
        replace(ada, user=None, password=None),
        replace(ada, password="guess"),
        replace(ada, password=""),
        replace(ada, user="mallory"),
    ]
    for stranger in strangers:
        with pytest.raises(ConnectionLost):
            async with client_of(stranger, "luggin/#"):
                pass


# The client library leaves the socket of a failed handshake to the garbage collector: let it happen here.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
async def test_certificates_of_both_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_client, "ANSWER_TIMEOUT", 1.0)
    async with guarded(tmp_path / "broker", PARTS, encrypted=True) as broker:
        good = broker.access("ada")
        async with client_of(good, "luggin/#") as client:
            await client.link.publish(topics.command(NODE, "pstat", "ada", "abort"), b"{}", "command")
        for wrong in (
            replace(good, certificate_file=None, key_file=None),
            replace(good, ca_file=None),
            replace(good, host="127.0.0.1"),
            replace(good, certificate_file=str(tmp_path / "nothing.pem")),
            replace(good, key_file=str(broker.folder / "broker.key")),  # of another certificate
        ):
            with pytest.raises((ConnectionLost, OSError)) as caught:
                async with client_of(wrong):
                    pass
            assert "fjord" not in str(caught.value)
    gc.collect()
