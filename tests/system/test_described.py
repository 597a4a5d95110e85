"""Every message of a working laboratory is as described, at a broker that asks for passwords and certificates; and
neither the password nor anything of the key is seen anywhere else."""

import asyncio
import json
import shutil
from pathlib import Path
from typing import Any, get_args

import psutil
import pytest
from jsonschema import Draft7Validator

from luggin.daemon.acl import Part
from luggin.daemon.mqtt.remote import Remote, open_remote
from luggin.protocol import topics
from luggin.protocol.payloads import COMMANDS, QUESTIONS, STORE_COMMANDS
from luggin.protocol.schemas import sent_schemas, taken_schemas
from luggin.protocol.topics import STORE
from support.brokers import Client, client_of
from support.guarded import PASSWORD, Guarded, guarded
from support.road import LUGGIN, REFERENCE, Road, has_mosquitto, line, walked

pytestmark = [
    has_mosquitto,
    pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl"),
    pytest.mark.timeout(120),
]
NODE = "bench"
PARTS: dict[str, Part] = {NODE: "daemon", "ada": "maintain"}
CONFIGURATION = """
[node]
name = "bench"
[broker]
url = "{url}"
password_file = "{password}"
ca_file = "{folder}/authority.pem"
certificate_file = "{folder}/client.pem"
key_file = "{folder}/client.key"
acl = true
[instruments.left]
driver = "sim"
cell = "redox-probe"
speed = 20
reference = "{reference}"
"""
SWEEP: dict[str, Any] = {
    "version": 1,
    "name": "probe",
    "technique": "cyclic-voltammetry",
    "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
    "phases": [
        {
            "phase": "measure",
            "initial_potential": "0 V",
            "first_switching_potential": "0.5 V",
            "second_switching_potential": "0 V",
            "scan_rate": "100 mV/s",
            "step": "5 mV",
        }
    ],
}
HOLD: dict[str, Any] = {
    "version": 1,
    "name": "hold",
    "technique": "chronoamperometry",
    "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
    "phases": [{"phase": "measure", "potential": "0.1 V", "duration": "600 s", "period": "100 ms"}],
}
SEQUENCE: dict[str, Any] = {
    "version": 1,
    "name": "day",
    "methods": {"probe": SWEEP},
    "steps": [{"prompt": "Fill the cell."}, {"run": "probe", "sample": "column outlet, invented"}],
}


class Wire:
    """Messages judged by the description."""

    def __init__(self) -> None:
        self._sent = {kind: Draft7Validator(each) for kind, each in sent_schemas().items()}
        self._taken = {verb: Draft7Validator(each) for verb, each in taken_schemas().items()}
        self.seen: set[str] = set()

    def judge(self, topic: str, payload: bytes) -> None:
        command = topics.read_command(topic)
        kind = topic.rpartition("/")[2] if command is not None or "/reply/" not in topic else "reply"
        validator = self._taken[kind] if command is not None else self._sent[kind]
        problems = [each.message for each in validator.iter_errors(json.loads(payload))]
        assert not problems, f"{topic}: {problems} {payload[:300]!r}"
        self.seen.add(kind if command is None else f"command {kind}")


async def idle(remote: Remote) -> str:
    """The token of the instrument once it is ready."""
    while (state := await remote.state("left")).state != "Idle" or state.link != "up" or state.cell != "off":
        await remote.changed()
    return state.token


async def until(remote: Remote, *states: str) -> None:
    while (await remote.state("left")).state not in states:
        await remote.changed()


async def work(remote: Remote, heard: Client) -> None:
    """Use every verb there is, with success or without: what is judged is the messages."""
    token = await idle(remote)
    assert (await remote.ask("left", "check", method=SWEEP)).accepted
    started = await remote.ask("left", "start", token=token, method=SWEEP)
    assert started.accepted, started
    await heard.until(lambda m: m.kind == "evaluation")
    assert started.run is not None
    run = started.run
    assert (await remote.ask(STORE, "runs")).accepted
    assert (await remote.ask(STORE, "run", run=run)).accepted
    assert (await remote.ask(STORE, "points", run=run, first=0, count=50)).accepted
    listed = await remote.ask(STORE, "evaluations", run=run)
    name = listed.data["evaluations"][0]["name"]
    assert (await remote.ask(STORE, "evaluation", name=name)).accepted
    assert (await remote.ask(STORE, "evaluate", kind="peaks", runs=(run,), settings={})).accepted

    assert (await remote.ask("left", "start", token=await idle(remote), method=HOLD)).accepted
    await until(remote, "Execute")
    assert (await remote.ask("left", "hold")).accepted
    await until(remote, "Held")
    assert (await remote.ask("left", "unhold", token=(await remote.state("left")).token)).accepted
    await heard.until(lambda m: m.kind == "progress")
    assert (await remote.ask("left", "stop")).accepted
    assert (await remote.ask("left", "start", token=await idle(remote), method=HOLD)).accepted
    await until(remote, "Execute")
    assert (await remote.ask("left", "abort")).accepted
    await until(remote, "Aborted")
    assert (await remote.ask("left", "clear")).accepted

    assert (await remote.ask("left", "sequence", token=await idle(remote), sequence=SEQUENCE)).accepted
    while (prompt := (await remote.sequence("left")).prompt) is None:
        await remote.changed()
    for verb in ("sequence-hold", "sequence-skip"):
        await remote.ask("left", verb)
    await remote.ask("left", "sequence-unhold", token=(await remote.state("left")).token)
    await remote.ask("left", "answer", token=(await remote.state("left")).token, prompt=prompt)
    for verb in ("sequence-stop", "sequence-abort"):
        await remote.ask("left", verb)
    await remote.ask("left", "attest", person="Grace", statement="the cell is off (invented)")


async def the_rest(remote: Remote, wire: Wire) -> None:
    """Verbs that the work above had no use for, with as little in them as their description asks for."""
    for to, verbs in (("left", COMMANDS), (STORE, {**QUESTIONS, **STORE_COMMANDS})):
        for verb in verbs:
            if f"command {verb}" not in wire.seen:
                await remote.ask(to, verb, **least(taken_schemas()[verb]))


def least(schema: dict[str, Any]) -> dict[str, Any]:
    wanted = {name: schema["properties"][name] for name in schema["required"] if name != "request"}
    values = {"string": "some words", "integer": 1, "number": 1.0, "boolean": False, "object": {}, "array": []}
    return {name: "node" if "pattern" in each else values[each["type"]] for name, each in wanted.items()}


async def test_every_message_is_as_described_and_secrets_stay_where_they_are(tmp_path: Path) -> None:
    async with guarded(tmp_path / "broker", PARTS, encrypted=True) as broker, walked(tmp_path) as road:
        password = broker.password_file(NODE)
        wire = Wire()
        async with (
            client_of(broker.access(NODE), topics.everything_of(NODE), name="auditor") as heard,
            open_remote(broker.access("ada"), NODE) as remote,
        ):
            log = await serving(road, broker, password)
            await work(remote, heard)
            for each in heard.received:
                if each.payload:
                    wire.judge(each.topic, each.payload)
            judged = len(heard.received)
            await the_rest(remote, wire)
            for each in heard.received[judged:]:
                if each.payload:
                    wire.judge(each.topic, each.payload)
            commands = [each for each in psutil.process_iter(["cmdline"]) if each.info["cmdline"]]
            lines = [" ".join(each.info["cmdline"]) for each in commands]
        code, out, err = await road.luggin(
            "nodes", "--broker", broker.url.replace("//", "//ada@"), "--password-file",
            str(broker.password_file("ada")), "--ca-file", str(broker.folder / "authority.pem"),
            "--certificate-file", str(broker.folder / "client.pem"), "--key-file", str(broker.folder / "client.key"),
        )  # fmt: skip
        assert code == 0, err
        assert "bench" in out
        assert "left" in out
        unseen = {kind for kind in get_args(topics.Kind) if kind != "command"} - wire.seen
        assert unseen == set()
        sent = {each.removeprefix("command ") for each in wire.seen if each.startswith("command ")}
        assert {*COMMANDS, *QUESTIONS, *STORE_COMMANDS} - sent == set()

        secrets = [PASSWORD.format(NODE), PASSWORD.format("ada")]
        secrets += [(broker.folder / "client.key").read_text().splitlines()[1]]
        told = [await log(), out, *lines]
        stored = [path.read_bytes() for path in (tmp_path / "luggin").iterdir()]
        published = [each.payload for each in heard.received]
        for secret in secrets:
            assert not [each for each in told if secret in each]
            assert not [each for each in (*stored, *published) if secret.encode() in each]
        assert stored


async def serving(road: Road, broker: Guarded, password: Path) -> Any:
    """Start the daemon, with all that it can log; a function that ends it and returns its log."""
    path = road.folder / "luggin.toml"
    url = broker.url.replace("//", f"//{NODE}@")
    path.write_text(
        CONFIGURATION.format(url=url, password=password, folder=broker.folder, reference=REFERENCE), encoding="utf-8"
    )
    process = await road.start(*LUGGIN, "serve", "--config", str(path), "--log", "debug")
    lines = [await line(process)]
    while '"event": "started"' not in lines[-1]:
        lines.append(await line(process))
    assert process.stdout is not None
    rest = asyncio.create_task(process.stdout.read())

    async def log() -> str:
        process.terminate()
        return "".join(lines) + (await rest).decode()

    return log
