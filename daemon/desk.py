"""From a command's topic and bytes to what becomes of it: the same whether it came over MQTT or the local socket.

A command that can't be read, is repeated or is meant for somebody else does nothing, with one exception: stop and
abort switch off, and off is obeyed however badly it is written and however often it comes.
"""

import json
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from time import monotonic
from typing import Any, Literal, NoReturn, Protocol

import structlog
from pydantic import ValidationError

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.questions import Questions
from luggin.protocol import topics
from luggin.protocol.document import bounded
from luggin.protocol.payloads import COMMANDS, MOST_COMMAND_BYTES, QUESTIONS, STORE_COMMANDS, Command, Plain, Reply
from luggin.protocol.problem import DocumentError, Problem, from_validation
from luggin.protocol.sequence.document import MOST_DEPTH as MOST_SEQUENCE_DEPTH
from luggin.protocol.topics import STORE, CommandTopic, is_segment

log = structlog.get_logger(__name__)

OFF_VERBS = ("stop", "abort")
Origin = Literal["mqtt", "local"]
UNREAD = "unread"  # stands for the request id of a command whose own can't be read
_REMEMBERED, _REMEMBERED_FOR = 1024, 600.0
MOST_DEPTH = MOST_SEQUENCE_DEPTH + 1
"""Levels of nesting in a command: those of the deepest document, one level down."""


class Handler(Protocol):
    async def handle(self, command: ReceivedCommand) -> Reply: ...


@dataclass(frozen=True)
class Answer:
    """`to` is the topic at which the sender waits for the reply, empty when it asked for none."""

    reply: Reply
    to: str


@dataclass
class _Remembered:
    content: bytes
    since: float
    answer: Answer | None = None


class Desk:
    """`instruments` take the commands, `questions` those to the store, but `orders` (by verb) what changes it."""

    def __init__(
        self,
        node: str,
        instruments: Mapping[str, Handler],
        questions: Questions,
        clock: Callable[[], float] = monotonic,
        orders: Mapping[str, Handler] | None = None,
    ) -> None:
        self.node = node
        self._instruments = instruments
        self._questions = questions
        self._clock = clock
        self._orders = orders or {}
        self._recent: OrderedDict[tuple[str, str], _Remembered] = OrderedDict()
        self._open = True

    def close(self) -> None:
        """From now on only stop and abort are carried out."""
        self._open = False

    async def answer(self, topic: CommandTopic, body: bytes, verified: bool, origin: Origin) -> Answer | None:
        """Carry out one command; never raises.  None when the same command is being carried out already."""
        try:
            command = self._read(topic, body)
        except DocumentError as error:
            if topic.verb in OFF_VERBS and topic.instrument in self._instruments:
                log.warning("obeyed though it can't be read", **_named(topic), problems=str(error), origin=origin)
                return await self._carry_out(topic, Plain(request=UNREAD), verified, origin)
            log.warning("refused", **_named(topic), problems=str(error), origin=origin)
            return self._refusal(topic, body, error)
        if topic.verb in OFF_VERBS:
            return await self._carry_out(topic, command, verified, origin)
        if not self._open:
            sentence = "the daemon is shutting down; ask again when it is back"
            return Answer(Reply(request=command.request, accepted=False, sentence=sentence), command.reply_to)
        entry, new = self._remember(topic, command.request, body)
        if not new:
            if entry.content != _content(topic, body):
                sentence = f"request {command.request} was used for another command already; use a new one"
                return Answer(Reply(request=command.request, accepted=False, sentence=sentence), command.reply_to)
            return entry.answer
        entry.answer = await self._carry_out(topic, command, verified, origin)
        return entry.answer

    def _read(self, topic: CommandTopic, body: bytes) -> Command:
        if topic.node != self.node:
            raise _problem("node", topic.node, f"this daemon is {self.node}", "send it there")
        if topic.instrument != STORE and topic.instrument not in self._instruments:
            there_are = ", ".join(self._instruments) or "none"
            raise _problem("instrument", topic.instrument, "there is no such instrument", f"there are: {there_are}")
        models = {**QUESTIONS, **STORE_COMMANDS} if topic.instrument == STORE else COMMANDS
        if topic.verb not in models:
            raise _problem("verb", topic.verb, "there is no such command", f"there are: {', '.join(models)}")
        try:
            command = models[topic.verb].model_validate(_decode(body))
        except ValidationError as error:
            raise DocumentError(from_validation(error)) from None
        if command.reply_to not in ("", own := topics.reply(topic.node, topic.instrument, topic.client)):
            raise _problem("reply_to", command.reply_to, "replies go to the sender's own topic only", f"use {own}")
        return command

    async def _carry_out(self, topic: CommandTopic, command: Command, verified: bool, origin: Origin) -> Answer:
        try:
            if topic.instrument == STORE and topic.verb in QUESTIONS:
                reply = await self._questions.handle(command)
            else:
                handlers = self._orders if topic.instrument == STORE else self._instruments
                handler = handlers[topic.verb if topic.instrument == STORE else topic.instrument]
                reply = await handler.handle(ReceivedCommand(topic.verb, topic.client, verified, command, origin))
                log.info("command", **_named(topic), accepted=reply.accepted, sentence=reply.sentence, origin=origin)
        except Exception:
            log.exception("a command failed", **_named(topic), origin=origin)
            sentence = "a fault of the daemon, see its log; look at the instrument's state before anything else"
            reply = Reply(request=command.request, accepted=False, sentence=sentence)
        return Answer(reply, command.reply_to)

    def _remember(self, topic: CommandTopic, request: str, body: bytes) -> tuple[_Remembered, bool]:
        now = self._clock()
        while self._recent:
            oldest = next(iter(self._recent.values()))
            if len(self._recent) <= _REMEMBERED and now - oldest.since <= _REMEMBERED_FOR:
                break
            self._recent.popitem(last=False)
        key = (topic.client, request)
        if (known := self._recent.get(key)) is not None:
            return known, False
        self._recent[key] = entry = _Remembered(_content(topic, body), now)
        return entry, True

    def _refusal(self, topic: CommandTopic, body: bytes, error: DocumentError) -> Answer:
        try:
            given = _decode(body)
        except DocumentError:
            given = {}
        request = given.get("request")
        request = request if isinstance(request, str) and is_segment(request) else UNREAD
        sentence = str(error.problems[0])
        reply = Reply(request=request, accepted=False, sentence=sentence, problems=[str(p) for p in error.problems])
        wants_reply = bool(given.get("reply_to"))
        return Answer(reply, topics.reply(topic.node, topic.instrument, topic.client) if wants_reply else "")


def _named(topic: CommandTopic) -> dict[str, str]:
    return {"instrument": topic.instrument, "verb": topic.verb, "client": topic.client}


def _content(topic: CommandTopic, body: bytes) -> bytes:
    return sha256(f"{topic.instrument}/{topic.verb}/".encode() + body).digest()


def _decode(body: bytes) -> dict[str, Any]:
    if len(body) > MOST_COMMAND_BYTES:
        raise _problem("command", None, f"{len(body)} bytes are too many", f"at most {MOST_COMMAND_BYTES} are read")
    try:
        data = json.loads(body, parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise _problem("command", None, "it is no JSON object", "see the payload models") from None
    bounded(data, "command", MOST_DEPTH)
    return dict(data)


def _no_number(text: str) -> NoReturn:
    raise ValueError(text)


def _problem(field: str, value: object, reason: str, allowed: str) -> DocumentError:
    return DocumentError([Problem(field, value, reason, allowed)])
