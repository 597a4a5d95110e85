"""The description of everything that goes over MQTT, as an AsyncAPI 3.0 document made from topics and payload models.

It describes the daemon: what it sends, and what it receives from its clients together with the reply to that.
https://www.asyncapi.com/docs/reference/specification/v3.0.0; bindings: MQTT binding 0.2.0.
"""

import inspect
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from luggin.protocol import topics
from luggin.protocol.payloads import COMMANDS, QUESTIONS, STORE_COMMANDS, Payload
from luggin.protocol.roles import role_of
from luggin.protocol.schemas import SENT, schema_and_definitions
from luggin.protocol.topics import DELIVERY, STORE, Kind

Document = dict[str, Any]

_ABOUT = (
    "A luggin daemon owns the instruments that measure electrochemically beside the cell. Payloads are JSON with a "
    "version. Numbers are SI; currents are positive when anodic (IUPAC). Nothing needs more than MQTT 3.1.1.\n\n"
    "Whoever comes late gets what is retained at once (status, state, health, alarm, sequence) and asks the store for "
    "the rest. QoS 1 is no durability: a broker drops messages for too slow a subscriber; the store has all.\n\n"
    "A start quotes the token of the retained state, which changes with every transition and every minute and works "
    "once. A command that comes retained is refused and cleared. Stop and abort are obeyed even if badly written.\n\n"
    "Replies go to the topic that the command names in reply_to, which must be the sender's own reply topic."
)
_WHAT: Mapping[Kind, str] = {
    "status": "the daemon is online or not; also its last will",
    "claim": "a daemon asks whether another one bears its name; who bears it says its status again",
    "state": "where an instrument stands, with the token for the next start",
    "health": "what an instrument is and how it fares",
    "alarm": "what somebody must look at; active false clears it",
    "sequence": "where the sequence of an instrument stands",
    "progress": "how far a run has come; the newest only",
    "header": "everything needed to understand and repeat a run, at its start",
    "points": "a batch of points, known by run, boot and index",
    "event": "what happened within a run",
    "result": "how a run ended",
    "evaluation": "what was computed from a run",
    "reply": "the answer to one command or question",
}
_VERBS: Mapping[str, str] = {
    "start": "start a run of a method",
    "hold": "pause a run where its technique allows it",
    "unhold": "go on with a held run",
    "stop": "end a run in order: its ending, then cell off",
    "abort": "cell off at once",
    "clear": "release an instrument after an abort or a fault, once its cell is confirmed off",
}
_PARAMETERS = {
    "node": "name of a daemon",
    "instrument": "name of an instrument of that daemon",
    "run": "name of a run",
    "client": "the sender's user name at the broker, anonymous without one; the broker's access control makes it true",
}


def document() -> Document:
    """The whole document, the same for every daemon of this version."""
    made = _Parts()
    for kind, model in SENT.items():
        if kind != "reply":
            made.sent(kind, model)
    made.channel("reply", topics.pattern("reply"), "reply", SENT["reply"], _WHAT["reply"])
    for verb, command in COMMANDS.items():
        made.received(verb, topics.command_pattern(verb), command)
    for verb, command in {**QUESTIONS, **STORE_COMMANDS}.items():
        made.received(f"{STORE}-{verb}", topics.command_pattern(verb, STORE), command)
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "luggin",
            "version": "1.0.0",
            "description": _ABOUT,
            "license": {"name": "BSD-3-Clause"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "laboratory": {
                "host": "{host}:{port}",
                "protocol": "secure-mqtt",
                "protocolVersion": "3.1.1",
                "description": "the broker that the daemon's configuration names",
                "variables": {"host": {"default": "localhost"}, "port": {"default": "8883"}},
                "security": [{"$ref": "#/components/securitySchemes/password"}],
            }
        },
        "channels": made.channels,
        "operations": made.operations,
        "components": {
            "schemas": made.schemas,
            "messages": made.messages,
            "parameters": {name: {"description": words} for name, words in _PARAMETERS.items()},
            "securitySchemes": {
                "password": {"type": "userPassword", "description": "and, where the broker asks, a certificate"}
            },
        },
    }


class _Parts:
    """Channels, operations and what they refer to, as they are gathered."""

    def __init__(self) -> None:
        self.channels: Document = {}
        self.operations: Document = {}
        self.messages: Document = {}
        self.schemas: Document = {}

    def sent(self, kind: Kind, model: type[Payload]) -> None:
        self.channel(kind, topics.pattern(kind), kind, model, _WHAT[kind])
        self.operations[f"send-{kind}"] = {**_doing("send", kind, _WHAT[kind], kind), **_bound(kind)}

    def received(self, name: str, address: str, model: type[BaseModel]) -> None:
        verb = name.removeprefix(f"{STORE}-")
        words = _VERBS.get(verb, _first_sentence(model))
        message = f"{name}-command"
        self.channel(message, address, message, model, words)
        reply = {
            "address": {"location": "$message.payload#/reply_to", "description": "none where it is empty"},
            "channel": {"$ref": "#/channels/reply"},
            "messages": [{"$ref": "#/channels/reply/messages/reply"}],
        }
        role = f"For those whose role is {role_of(verb)} or more."
        operation = _doing("receive", message, words, message)
        self.operations[f"receive-{name}"] = {**operation, "description": role, **_bound("command"), "reply": reply}

    def channel(self, name: str, address: str, message: str, model: type[BaseModel], words: str) -> None:
        wanted = [part[1:-1] for part in address.split("/") if part.startswith("{")]
        self.channels[name] = {
            "address": address,
            "summary": words,
            "parameters": {each: {"$ref": f"#/components/parameters/{each}"} for each in wanted},
            "messages": {message: {"$ref": f"#/components/messages/{message}"}},
        }
        schema, definitions = schema_and_definitions(model, "#/components/schemas/{model}")
        self.schemas |= {model.__name__: schema, **definitions}
        payload = {"$ref": f"#/components/schemas/{model.__name__}"}
        self.messages[message] = {"name": message, "summary": words, "payload": payload}


def _doing(action: str, channel: str, words: str, message: str) -> Document:
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{channel}"},
        "summary": words,
        "messages": [{"$ref": f"#/channels/{channel}/messages/{message}"}],
    }


def _bound(kind: Kind) -> Document:
    how = DELIVERY[kind]
    return {"bindings": {"mqtt": {"qos": how.qos, "retain": how.retain, "bindingVersion": "0.2.0"}}}


def _first_sentence(model: type[BaseModel]) -> str:
    return " ".join(inspect.getdoc(model).split()).partition(". ")[0].rstrip(".")  # type: ignore[union-attr]
