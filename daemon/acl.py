"""Access control for a laboratory's mosquitto: who may read and send what.

mosquitto's `pattern` lines hold for every user, so that roles are lines of each user, with the name written out where a
pattern would say %u.  A daemon logs in under the name of its node: that keeps one daemon from speaking for another.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from luggin.protocol import topics
from luggin.protocol.payloads import COMMANDS, QUESTIONS, STORE_COMMANDS
from luggin.protocol.roles import Role, may
from luggin.protocol.topics import DELIVERY, STORE

Part = Literal[Role, "daemon"]
PARTS: tuple[Part, ...] = (*get_args(Role), "daemon")

_HEAD = """\
# Access control for mosquitto: acl_file in mosquitto.conf, with allow_anonymous false and a password_file.
# What is not listed is refused.  Whoever is not listed reads nothing and sends nothing.
# With this file the daemons' configuration says acl = true in [broker].
"""
_EXAMPLE = ("bench-1=daemon", "gallery=view", "ada=operate", "grace=maintain")


@dataclass(frozen=True)
class User:
    name: str
    part: Part


def user(text: str) -> User:
    """From NAME=ROLE.  Raises ValueError."""
    name, _, part = text.partition("=")
    if not topics.is_segment(name):
        raise ValueError(f"{text!r}: a user's name is 1 to 64 of a-z, 0-9 and -, since it stands in topics")
    if part not in PARTS:
        raise ValueError(f"{text!r}: write {name}=ROLE with one of the roles {', '.join(PARTS)}")
    return User(name, part)


def text(users: Sequence[User]) -> str:
    """The whole file.  Raises ValueError for a name that comes twice."""
    names = [each.name for each in users]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"{', '.join(twice)}: a user has one role")
    return "\n".join([_HEAD, *map(_section, users)])


def example() -> str:
    """One user of each role; all invented."""
    return text([user(each) for each in _EXAMPLE])


def _section(one: User) -> str:
    lines = [f"# {one.part}", f"user {one.name}"]
    if one.part == "daemon":
        lines.append(f"topic readwrite {topics.everything_of(one.name)}")
    else:
        lines += [f"topic read {each}" for each in _readable(one.name)]
        lines += [f"topic write {each}" for each in _writable(one.name, one.part)]
    return "\n".join([*lines, ""])


def _readable(name: str) -> list[str]:
    """Everything but what others command and are answered."""
    kinds = [kind for kind in DELIVERY if kind not in ("command", "claim")]
    return [_filter(topics.pattern(kind), name) for kind in kinds]


def _writable(name: str, role: Role) -> list[str]:
    asked = [(verb, STORE) for verb in (*QUESTIONS, *STORE_COMMANDS)]
    wanted = [(verb, "{instrument}") for verb in COMMANDS] + asked
    return [_filter(topics.command_pattern(verb, to), name) for verb, to in wanted if may(role, verb)]


def _filter(pattern: str, client: str) -> str:
    filled = pattern.replace("{client}", client)
    return "/".join("+" if part.startswith("{") else part for part in filled.split("/"))
