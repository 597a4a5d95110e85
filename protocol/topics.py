"""MQTT topics with their quality of service and retention; the one place where topic strings are made or read.

luggin/<node>/status                                  retained, also the last will
luggin/<node>/claim                                   a daemon asks whether another one bears its name
luggin/<node>/<instrument>/state, health, alarm       retained
luggin/<node>/<instrument>/sequence                   retained
luggin/<node>/<instrument>/progress                   latest only
luggin/<node>/<instrument>/run/<run>/header, points, event, result, evaluation
luggin/<node>/<instrument>/command/<client>/<verb>    to the daemon; the broker's ACL makes <client> true
luggin/<node>/<instrument>/reply/<client>             from the daemon

Questions to the store (runs, points by index, evaluations) are commands to the pseudo-instrument `store`, and so is
the order to evaluate runs.
"""

import re
from dataclasses import dataclass
from typing import Literal, get_args

ROOT = "luggin"
STORE = "store"
SEGMENT = re.compile(r"[a-z0-9-]{1,64}")
RunKind = Literal["header", "points", "event", "result", "evaluation"]
Kind = Literal["status", "claim", "state", "health", "alarm", "sequence", "progress", RunKind, "command", "reply"]


@dataclass(frozen=True)
class Delivery:
    """Quality of service and whether the broker keeps the newest message for later subscribers."""

    qos: int
    retain: bool


DELIVERY: dict[Kind, Delivery] = {
    "status": Delivery(1, True),
    "claim": Delivery(1, False),
    "state": Delivery(1, True),
    "health": Delivery(1, True),
    "alarm": Delivery(1, True),
    "sequence": Delivery(1, True),
    "progress": Delivery(0, False),
    "header": Delivery(1, False),
    "points": Delivery(1, False),
    "event": Delivery(1, False),
    "result": Delivery(1, False),
    "evaluation": Delivery(1, False),
    "command": Delivery(1, False),
    "reply": Delivery(1, False),
}


def is_segment(text: str) -> bool:
    """Whether `text` may be a topic segment, a run id or a file name."""
    return SEGMENT.fullmatch(text) is not None


def _checked(*segments: str) -> str:
    for segment in segments:
        if not is_segment(segment):
            raise ValueError(f"{segment!r} can't be a topic segment: use 1 to 64 of a-z, 0-9 and -")
    return "/".join((ROOT, *segments))


def status(node: str) -> str:
    return _checked(node, "status")


def claim(node: str) -> str:
    return _checked(node, "claim")


def instrument(node: str, name: str, kind: Literal["state", "health", "alarm", "sequence", "progress"]) -> str:
    return _checked(node, name, kind)


def run(node: str, name: str, run_id: str, kind: RunKind) -> str:
    return _checked(node, name, "run", run_id, kind)


def command(node: str, name: str, client: str, verb: str) -> str:
    return _checked(node, name, "command", client, verb)


def reply(node: str, name: str, client: str) -> str:
    return _checked(node, name, "reply", client)


def commands_of(node: str) -> str:
    """The filter by which a daemon receives every command to its instruments and its store."""
    return _checked(node) + "/+/command/+/+"


def everything_of(node: str) -> str:
    return _checked(node) + "/#"


def pattern(kind: Kind) -> str:
    """The topics of one kind, with names in braces for the segments that vary; commands have their own."""
    if kind in ("status", "claim"):
        return f"{ROOT}/{{node}}/{kind}"
    if kind == "reply":
        return f"{ROOT}/{{node}}/{{instrument}}/reply/{{client}}"
    within = "run/{run}/" if kind in get_args(RunKind) else ""
    return f"{ROOT}/{{node}}/{{instrument}}/{within}{kind}"


def command_pattern(verb: str, name: str = "{instrument}") -> str:
    """The topics of one command, likewise."""
    return f"{ROOT}/{{node}}/{name}/command/{{client}}/{verb}"


@dataclass(frozen=True)
class CommandTopic:
    node: str
    instrument: str
    client: str
    verb: str


def read_command(topic: str) -> CommandTopic | None:
    """The parts of a command topic, or None when it isn't a well-formed one."""
    parts = topic.split("/")
    if len(parts) != 6 or parts[0] != ROOT or parts[3] != "command" or not all(map(is_segment, parts[1:])):
        return None
    return CommandTopic(parts[1], parts[2], parts[4], parts[5])
