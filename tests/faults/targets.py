"""What is fed with wrong input: each target takes an input made of valid ones and raises when a promise is broken."""

import asyncio
import json
import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import cbor2
from hypothesis import strategies as st

from faults.mutations import CHANGES, VALUES, changed
from luggin.daemon import config
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.desk import Desk
from luggin.protocol import document, method, topics
from luggin.protocol.link import codec, frame, message
from luggin.protocol.link.documents import program_digest, write_program
from luggin.protocol.link.host import Host
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.payloads import COMMANDS, Reply
from luggin.protocol.problem import DocumentError
from luggin.protocol.program import bounds
from luggin.protocol.techniques import TECHNIQUES
from luggin.protocol.topics import CommandTopic
from luggin.sim.cell import load_cell
from luggin.sim.cell.api import CellError
from luggin.sim.firmware import Firmware
from luggin.sim.settings import Settings
from support import paper_instrument

Target = Callable[[Any], None]


# The link, from both ends


@cache
def _messages() -> tuple[bytes, ...]:
    """One of each message, valid and encoded."""
    encoded = write_program(paper_instrument.program(100, 0.01))
    instrument, host = paper_instrument.PaperInstrument(), Host(7, 0.0)
    instrument.receive(host.next_frame(0.0) or b"", 0.0)
    answers = [instrument.next_frame() or b""]
    requests: list[message.Request | message.Hello] = [
        message.Hello(7),
        message.AskStatus(1),
        message.AskReading(2),
        message.AskCapability(3, 0),
        *(message.Upload(4 + at, at, encoded[at : at + 100]) for at in range(0, min(len(encoded), 400), 100)),
        message.Arm(800, "run-1", len(encoded), program_digest(encoded)),
        message.Start(801, "run-1", 0.0),
        message.KeepAlive(802, 0.0),
        message.Replay(803, "run-1", 0),
        message.Acknowledge(804, "run-1", 0),
        message.Hold(805),
        message.Unhold(806, 0.0),
        message.Stop(807),
        message.CellOff(808),
    ]
    sent = [codec.encode(each) for each in requests]
    for each in sent:
        instrument.receive(frame.encode(each), 0.5)
        while one := instrument.next_frame():
            answers.append(one)
    heard = [content for one in answers for content in frame.Decoder().feed(one)]
    made = paper_instrument.points("run-1", "boot-1", 0, 20, 0.01)
    return (*sent, *heard, codec.encode(codec.points_that_fit(made)))


LINK = st.lists(
    st.tuples(st.integers(0, 63), CHANGES, st.booleans(), st.binary(max_size=6), st.integers(0, 511)),
    min_size=1, max_size=6,
)  # fmt: skip


def _framed(drawn: list[tuple[int, Any, bool, bytes, int]]) -> list[bytes]:
    """Frames of messages changed in their structure (whole frames, so that they are read) or in their bytes."""
    frames = []
    for number, changes, structured, noise, at in drawn:
        whole = _messages()[number % len(_messages())]
        if structured:
            try:
                content = cbor2.dumps(changed(cbor2.loads(whole), changes))
            except (ValueError, TypeError, OverflowError, cbor2.CBOREncodeError):
                content = whole
            frames.append(frame.encode(content[: frame.LARGEST_MESSAGE] or b"\0"))
        else:
            damaged = bytearray(frame.encode(whole))
            damaged[at % len(damaged) : at % len(damaged) + len(noise)] = noise
            frames.append(bytes(damaged))
    return frames


def link(drawn: Any) -> None:
    """Any bytes on the line: messages or refusals, at either end, and an instrument that nobody started stays off."""
    frames = _framed(drawn)
    decoder = frame.Decoder()
    for content in decoder.feed(b"".join(frames)):
        try:
            codec.encode(codec.decode(content))
        except MessageError:
            continue
    host = Host(7, 0.0)
    instrument = Firmware(_dummy(), 0.0)
    for number, each in enumerate(frames):
        now = 0.01 * number
        host.receive(each, now)
        host.tick(now)
        instrument.receive(each, now)
        instrument.advance(now)
        while out := instrument.frame(now):
            host.receive(out, now)
        while host.next_frame(now) is not None:
            pass
    instrument.device.cell_off()
    assert instrument.device.status(1.0).cell == "off"


@cache
def _dummy() -> Settings:
    return Settings.parse({"cell": "dummy-resistor", "ideal": True, "buffer": 1000})


# Commands


class _Counting:
    def __init__(self) -> None:
        self.heard: list[ReceivedCommand] = []

    async def handle(self, command: Any) -> Reply:
        self.heard.append(command)
        return Reply(request=command.payload.request if isinstance(command, ReceivedCommand) else "x", accepted=True)


COMMAND = st.tuples(st.sampled_from(sorted(COMMANDS)), CHANGES, st.integers(0, 9), st.binary(max_size=8))


def _commands(verb: str) -> dict[str, Any]:
    content: dict[str, Any] = {"version": 1, "request": "request-1", "reply_to": topics.reply("lab", "left", "anna")}
    match verb:
        case "start":
            content |= {"token": "token", "method": document.read(TECHNIQUES["cyclic-voltammetry"].example)}
        case "unhold":
            content |= {"token": "token"}
        case "attest":
            content |= {"person": "Anna", "statement": "The plug is pulled."}
    return content


def command(drawn: Any) -> None:
    """Any payload: an answer or none, never an exception; only stop and abort are obeyed unread."""
    verb, changes, way, noise = drawn
    body = json.dumps(changed(_commands(verb), changes), default=repr).encode("utf-8", "surrogatepass")
    if way == 0:
        at = len(noise) * 7 % (len(body) + 1)
        body = body[:at] + noise + body[at:]
    handler = _Counting()
    desk = Desk("lab", {"left": handler}, _NoQuestions())  # type: ignore[arg-type]
    answer = asyncio.run(desk.answer(CommandTopic("lab", "left", "anna", verb), body, True, "mqtt"))
    for heard in handler.heard:
        assert heard.verb == verb
        assert isinstance(heard.payload, COMMANDS[verb])
    if verb in ("stop", "abort"):
        assert len(handler.heard) == 1, "off is obeyed however badly it is written"
    if answer is not None:
        assert answer.to in ("", topics.reply("lab", "left", "anna")), "replies go to the sender's own topic only"
        answer.reply.model_dump_json()


class _NoQuestions:
    async def handle(self, question: object) -> Reply:
        raise AssertionError("nothing was asked of the store")


# Documents

METHOD = st.tuples(st.sampled_from(sorted(TECHNIQUES)), CHANGES)


@cache
def _example(technique: str) -> dict[str, Any]:
    return document.read(TECHNIQUES[technique].example)


def method_document(drawn: Any) -> None:
    """Any method: problems, or a program that is bounded."""
    technique, changes = drawn
    try:
        document.bounded(data := changed(_example(technique), changes))
        program = method.compile_method(method.parse(data))
    except DocumentError as error:
        _one_sentence_each(error)
        return
    limits = bounds(program)
    assert math.isfinite(limits.duration)
    assert limits.points >= 0
    again = method.parse(method.parse(data).document())
    assert method.compile_method(again) == program


CELLS = ("redox-probe", "metal-film", "corroding", "dummy-r-rc", "randles", "storage", "pitting", "microdisk")
CELL = st.tuples(st.sampled_from(CELLS), CHANGES)


@cache
def _cell(name: str) -> dict[str, Any]:
    import luggin.sim.cell as cells

    return document.read((Path(cells.__file__).parent / "cells" / f"{name}.toml").read_bytes())


def cell_document(drawn: Any) -> None:
    """Any cell: problems, or a cell that can be read."""
    name, changes = drawn
    try:
        document.bounded(data := changed(_cell(name), changes))
        load_cell(data, seed=1).open_circuit_potential()
    except DocumentError as error:
        _one_sentence_each(error)
    except CellError as error:
        assert "\n" not in str(error)


CONFIGURATION = st.tuples(CHANGES, VALUES)
_CONFIGURATION = {
    "node": {"name": "bench-1", "runtime": "run"},
    "store": {"path": "runs.sqlite"},
    "broker": {"url": "mqtts://luggin@broker.example:8883", "acl": True, "largest_message": 65536},
    "instruments": {
        "bench": {"driver": "serial", "port": "/dev/ttyACM0", "reference": "Ag/AgCl (3 M KCl)", "area": "7.07 mm2"},
        "net": {"driver": "tcp", "host": "192.0.2.1", "port": 4000, "reference": "SCE", "without_dead_man": True},
        "model": {"driver": "sim", "cell": "dummy-r-rc", "speed": 10, "reference": "SCE", "faults": ["stall=3@20"]},
    },
}


def configuration(drawn: Any) -> None:
    """Any settings: problems, or a configuration."""
    changes, _ = drawn
    try:
        document.bounded(data := changed(_CONFIGURATION, changes))
        config.parse(data, Path("/nowhere"))
    except DocumentError as error:
        _one_sentence_each(error)


def _one_sentence_each(error: DocumentError) -> None:
    for problem in error.problems:
        assert "\n" not in str(problem), problem
        assert "Traceback" not in str(problem)


TARGETS: dict[str, tuple[Any, Target]] = {
    "link": (LINK, link),
    "command": (COMMAND, command),
    "method": (METHOD, method_document),
    "cell": (CELL, cell_document),
    "configuration": (CONFIGURATION, configuration),
}
